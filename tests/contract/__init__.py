"""What a user may rely on: the samples, the manifest, the messages and the exit codes, from outside alone."""
