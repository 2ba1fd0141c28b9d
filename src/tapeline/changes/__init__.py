"""What moved between two results folders, and what differs between the analyses that made them."""
