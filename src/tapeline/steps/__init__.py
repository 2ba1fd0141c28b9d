"""One module a workflow rule: read files, call acoustics, write files."""
