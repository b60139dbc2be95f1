"""What to do about a room: a report to act on, from results, plan and comparison."""
