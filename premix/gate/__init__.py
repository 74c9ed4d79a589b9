"""Gate stage: key envelope to riff times and the gain curve of each room mic."""
