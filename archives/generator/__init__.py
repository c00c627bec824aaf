"""Makes the demo's performances: invented evenings of an invented baker, with plausible physiology."""
