"""The solver process: what is asked, what is answered, and who runs it."""
