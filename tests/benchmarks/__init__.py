"""Benchmarks: ratios of two sides measured in one run on one machine."""
