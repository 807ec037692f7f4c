"""Finished runs over the years: kept, followed, worked out again."""
