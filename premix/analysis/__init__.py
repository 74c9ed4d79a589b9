"""Analysis stage: one streamed pass a file gives cross-spectra, key envelopes, levels and hashes."""
