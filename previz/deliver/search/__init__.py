"""What ``search`` leaves."""
