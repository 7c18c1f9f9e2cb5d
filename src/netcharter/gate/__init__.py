"""The gateway's own pages: why a name is withheld, and the form by which its release is asked for.

Pure: a visit goes in as a value, a reply comes out as one (`visits`). `settings` reads what a kit
tells the pages, `deciding` finds what is withheld from whom, `pages` has the words, `requests` what
somebody asked for. Only `server` touches the world.
"""
