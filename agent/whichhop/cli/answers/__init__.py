"""What is wrong, what was, and what to do, of one home or many."""
