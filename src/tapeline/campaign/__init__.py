"""What the user wrote: settings and tables, checked at once, and the plan of jobs made from them."""
