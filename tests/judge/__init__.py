"""Judges of the programme: other solvers, from the published arrays alone."""
