"""The material parts of an item: what they take up, hold and give off."""
