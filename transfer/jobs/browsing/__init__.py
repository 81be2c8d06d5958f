"""The archive asked: which targets, nights and frames there are, and what they add up to."""
