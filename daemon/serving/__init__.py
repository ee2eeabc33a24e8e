"""The worker as a service: waiting lists, sockets, the live feed, and what the night has left."""
