"""A live performance: the data of the sensors, for the mapping graph and for a bag."""
