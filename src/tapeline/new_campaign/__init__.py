"""A campaign folder to begin with: what recordings say, what that proposes, and what is left to fill in."""
