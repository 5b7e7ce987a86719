"""Teaching: where the noise goes, shown on the frame."""
