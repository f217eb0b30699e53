"""What is served over HTTP: how the service is."""
