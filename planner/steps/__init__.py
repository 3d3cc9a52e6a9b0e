"""Site and earlier results -> one result each; every step is pure."""
