"""What people see: the terminal summary."""
