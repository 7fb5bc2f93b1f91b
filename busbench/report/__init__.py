"""Pages of results: the sign-off page, and the page of a recording."""
