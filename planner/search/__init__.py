"""Puts the steps together to find the streets, what can be served, and the cheapest of all."""
