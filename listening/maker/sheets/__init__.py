"""The six sheets of the maker's page: what each shows, and what can be done on it."""
