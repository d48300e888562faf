"""What ``shoot`` leaves."""
