"""What breaks while the service runs: afterwards nothing due is unsent, and no stock is lost or doubled."""
