"""The leftover water of an item: how much, where, and what EO makes of it."""
