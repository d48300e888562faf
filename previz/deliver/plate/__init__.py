"""What ``plate`` leaves."""
