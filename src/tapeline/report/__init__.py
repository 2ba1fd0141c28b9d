"""The page that circulates and its figures."""
