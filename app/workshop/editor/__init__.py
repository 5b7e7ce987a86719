"""The lesson editor."""
