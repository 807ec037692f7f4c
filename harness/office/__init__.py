"""The office page: every bench and queue at a glance, read from shared folders and the store, and nothing changed."""
