"""Curves of the clipped places."""
