"""The sessions' levels as the jobs of the whole campaign take them: in arrays, with their repeats and doubts."""
