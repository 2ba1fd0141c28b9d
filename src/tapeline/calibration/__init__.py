"""From calibrator recordings and charts to the sensitivity of every channel."""
