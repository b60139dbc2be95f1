"""What layouts cost and weigh, whether they may be put up, and how they are drawn."""
