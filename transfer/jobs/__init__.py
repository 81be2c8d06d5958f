"""One job each: send, check, plan, prepare and the rest, made of the rooms below."""
