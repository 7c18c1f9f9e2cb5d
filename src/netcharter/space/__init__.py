"""Exact sets: who decides what in an ordered rule list, proven for every point there is.

In flow order: `ranges` (sets of integers) and `model` (fields, boxes, rule lists, verdicts) are what
other rooms speak in. `atoms` turns named sets into bit masks, `index` looks them up, `cover` decides
whether a box is covered, `engine` asks that about rules and promises, `diagram` and `partition`
compare lists and survey queries. `checker`, made of the plain `slices`, believes none of them and
checks every certificate on raw ranges; `certified` gives only answers that it has accepted. Mathematics only: this room knows nothing of networks and touches nothing.
"""
