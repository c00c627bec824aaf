"""The plan: level profiles of performances, and the gain at which every cap holds."""
