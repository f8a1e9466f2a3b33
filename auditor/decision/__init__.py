"""What the files suggest, and the rules in force."""
