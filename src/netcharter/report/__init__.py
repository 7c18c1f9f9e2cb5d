"""What people are handed: the judgement of a charter as a page, with the site drawn."""
