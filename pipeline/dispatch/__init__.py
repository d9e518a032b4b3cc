"""From the list to days on the road: which truck goes to which homes, in which order, and why the rest waits."""
