"""The job: prove bags again."""
