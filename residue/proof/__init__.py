"""Whether each output is heard in the room: a quiet sweep before the opening, and a measuring microphone."""
