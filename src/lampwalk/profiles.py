"""Colour profiles (placeholder while the rest is written)."""
