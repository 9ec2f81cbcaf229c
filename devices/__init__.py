"""Maps and stages of invented chips; data only."""
