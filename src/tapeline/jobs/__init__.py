"""The jobs of a campaign: a folder a rule, with what it needs, reads and writes, and the rows of its tables."""
