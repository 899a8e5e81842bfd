"""What to measure: models of the part, bench and sequence files, and the conditions that follow from them."""
