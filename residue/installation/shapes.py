"""Shapes of piece to begin with: templates/NAME.toml."""

SHAPES = ("muscle", "heart", "brain")
"""Each reads one kind of sensor. Kept apart from `new`, so that the command line is quick to start."""
