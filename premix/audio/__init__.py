"""Files and signals: the only user of soundfile, and pure functions over float64 arrays."""
