"""Numerics: pure functions on arrays, numpy and scipy only."""
