"""All runs of one repair in one posterior: what was wrong, what cured it, what is left."""
