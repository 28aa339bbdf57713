"""The page: what a browser shows of the evening, and the commands that it may send."""
