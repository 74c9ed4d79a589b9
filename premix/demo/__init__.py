"""The demo session: an invented band's guitars, synthesised with physics that mean something.

score -> strings -> amp -> cabinet and mics (and a room) -> files, with a truth file for whoever checks.
"""
