"""A site of network namespaces on one machine, and the rehearsal of a kit in it."""
