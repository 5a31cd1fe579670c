"""Who a request acts for: bearer tokens, SMART scopes, and the token endpoint for system clients."""
