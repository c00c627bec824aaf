"""Signal processing that gives the same bits on every machine and for every block size."""
