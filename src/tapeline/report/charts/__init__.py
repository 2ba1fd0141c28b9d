"""Figures as drawings that stand in the page itself: text, lines and marks with the roles of the page's style sheet."""
