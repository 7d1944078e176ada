"""What the verbs do, without their arguments and their printing."""
