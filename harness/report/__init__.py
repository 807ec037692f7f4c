"""The report: a pure summary of a journal, and its renderings."""
