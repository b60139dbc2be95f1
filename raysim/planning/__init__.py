"""What layouts cost, weigh and may, how they are drawn; what a budget buys; what data tell."""
