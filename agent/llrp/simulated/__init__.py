"""A simulated reader without its socket, written from the standard and not from the client."""
