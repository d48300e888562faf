"""Where the real camera is, from a photograph: markers, points, covariance, and the way back."""
