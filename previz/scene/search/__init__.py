"""What a scene says of its search: bounds, and the studio that the shot has to fit."""
