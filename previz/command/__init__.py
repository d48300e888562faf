"""Commands: words in, words out, a room a question."""
