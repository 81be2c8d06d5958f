"""Mutation testing: small mistakes planted one by one, each of which a module's own tests must notice."""
