"""What check found, as lines for the terminal, as JSON and as one page with plots."""
