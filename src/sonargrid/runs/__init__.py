"""What was recorded: the records, the files they come from, what makes them."""
