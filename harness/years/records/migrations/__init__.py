"""The layouts of the store, one file a step; alembic runs them through `env.py`."""
