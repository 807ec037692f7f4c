"""A job on its way: loaded, rehearsed, run, resumed."""
