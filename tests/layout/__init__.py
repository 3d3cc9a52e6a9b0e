"""Layouts judged by code of its own: every tree enumerated, another programme, published optima."""
