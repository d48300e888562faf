"""What ``sheet`` leaves."""
