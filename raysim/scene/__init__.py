"""What the user says: room, materials, things in it, sources, receivers, air."""
