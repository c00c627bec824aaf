"""Garbage collection where sound must not wait for it: a look at all objects takes 65 ms on the machine we measured."""

import gc


def spare_what_is_there() -> None:
    """Collects once more; objects that are there now and live on are never looked at again."""
    gc.collect()
    gc.freeze()
    gc.enable()
