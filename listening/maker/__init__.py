"""The maker's page: the whole way from a bounce to the way back, in a browser on this machine."""
