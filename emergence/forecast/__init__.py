"""Members become windows: arrays only."""
