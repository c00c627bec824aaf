"""The house: a pure state machine, its hours, its memory, and what people ask of it."""
