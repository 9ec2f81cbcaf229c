"""Small captures with a note of origin; data only."""
