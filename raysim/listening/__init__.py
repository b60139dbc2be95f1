"""Playing sounds through the rooms, and asking ears fairly what they hear."""
