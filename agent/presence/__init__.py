"""P(aboard) for each tag, from inventory rounds alone. Knows nothing of sites or storage."""
