"""A start without a manual: questions about a bench worked by hand, and the files that follow from the answers."""
