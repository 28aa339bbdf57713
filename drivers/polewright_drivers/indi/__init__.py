"""What every INDI driver of this project shares: properties, and the two ways to be reached."""
