"""The cap stage: protection, limiter and governor, the one way to a sink."""
