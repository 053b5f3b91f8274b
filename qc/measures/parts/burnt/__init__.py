"""What burns out, told apart: what matters, swabs, glints."""
