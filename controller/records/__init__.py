"""What is kept: the journal and what is read from it."""
