"""One function a command."""
