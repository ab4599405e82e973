"""The report page by page: the model put into words, the same for every form."""
