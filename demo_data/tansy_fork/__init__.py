"""Tansy Fork, an invented place: its streets, ground, houses, services and what surrounds them."""
