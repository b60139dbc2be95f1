"""What the walls are: scene records to one closed mesh of named planar surfaces."""
