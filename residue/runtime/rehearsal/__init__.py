"""A whole season simulated beforehand, with faults."""
