"""The window and the headless verbs, on top of `sim`."""
