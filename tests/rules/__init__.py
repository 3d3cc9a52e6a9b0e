"""Tests of the rule sets: what is known, what may be changed, and where it comes from."""
