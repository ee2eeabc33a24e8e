"""What a test will be, before anything is on: jobs, plans as people read them, what is to be expected."""
