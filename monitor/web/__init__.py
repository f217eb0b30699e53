"""What is served over HTTP: the page on a phone, and how the service is."""
