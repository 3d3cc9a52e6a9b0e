"""Streets, tried and weighed."""
