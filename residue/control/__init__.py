"""The OSC control surface and the feed."""
