"""The use cases behind commands and pages: text in, values with the documented JSON shapes out."""
