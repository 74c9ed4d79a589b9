"""The demo session: an invented band's guitars, synthesised."""
