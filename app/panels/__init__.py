"""Answer sentence, option cards, part sheet, findings."""
