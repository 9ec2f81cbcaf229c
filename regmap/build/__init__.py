"""From what the grammar has read to the model: the checks that no single value can answer alone."""
