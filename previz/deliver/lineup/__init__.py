"""What ``lineup`` leaves."""
