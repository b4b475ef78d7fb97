"""The desk: the web pages for listening and judging."""
