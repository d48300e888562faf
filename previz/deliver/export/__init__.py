"""What ``export`` leaves."""
