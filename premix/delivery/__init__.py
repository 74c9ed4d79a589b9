"""Delivery stage: files that appear whole or not at all, manifest and track sheet."""
