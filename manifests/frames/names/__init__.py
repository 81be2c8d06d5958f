"""One name for one thing: many spellings of filters and targets become one name each."""
