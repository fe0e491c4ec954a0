"""What a roast is: its state, its alerts, the trade's arithmetic."""
