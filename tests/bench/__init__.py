"""Benchmarks, run by hand; they print figures and assert nothing about time."""
