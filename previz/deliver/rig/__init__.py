"""What ``rig`` leaves."""
