"""Inference from repeats, sessions and families: pure functions on arrays, numpy and scipy only."""
