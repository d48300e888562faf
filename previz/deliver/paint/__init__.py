"""What ``paint`` leaves."""
