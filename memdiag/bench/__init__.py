"""The page on the bench PC, and the same over HTTP for a shop's own ticket system."""
