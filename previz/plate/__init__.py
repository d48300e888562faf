"""The full-size element and the miniature: scale, time, feet, shadow, colour and framing of the two as one shot."""
