"""Outside numbers: published tables, worked examples and a general-purpose library."""
