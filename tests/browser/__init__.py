"""Tests that open a page in a real browser."""
