"""The window and the commands. `sim` never imports from here."""
