"""Recording in the garden: the page a phone uses between the rows."""
