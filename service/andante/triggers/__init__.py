"""What starts the work: the command line, the clock, a request."""
