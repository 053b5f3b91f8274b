"""What stays in its place while the picture moves."""
