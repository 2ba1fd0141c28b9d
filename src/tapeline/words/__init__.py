"""Results in spoken sentences, for the page and the terminal alike."""
