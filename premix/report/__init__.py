"""Report stage: the one-page HTML and its figures."""
