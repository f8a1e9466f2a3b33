"""What was recorded and what is missing, by interval arithmetic alone."""
