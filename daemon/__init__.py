"""Acts: guardian, worker, command line. The only room that switches anything on or off."""
