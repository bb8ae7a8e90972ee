"""From requirements to the proved optimum: the linear program, its exact vertex, and the cuts of confidence."""
