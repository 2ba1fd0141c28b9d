"""Raw samples: one reader protocol, one module a format."""
