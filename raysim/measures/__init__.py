"""What a listener or a standard would read off a response."""
