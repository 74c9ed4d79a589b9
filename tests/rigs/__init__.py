"""Simulated recordings with a known truth: cabinets, riffs, impostors, dead channels."""
