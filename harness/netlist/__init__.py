"""Gate-level netlists, read and evaluated bit-parallel."""
