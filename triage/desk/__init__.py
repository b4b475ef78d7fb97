"""The desk: the web pages that people work at."""
