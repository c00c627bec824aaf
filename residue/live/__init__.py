"""A performance while it happens: what the sensors send, as the mapping graph reads it and as a bag keeps it."""
