"""Pure functions over float64 arrays: time last, rate passed, nothing read or written."""
