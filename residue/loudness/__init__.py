"""The cap: weightings, meters, caps, plan, governor, limiter, calibration."""
