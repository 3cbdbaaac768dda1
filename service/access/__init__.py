"""Who may ask for what: access tokens, their scopes, and the sessions of the pages.

A token belongs to one shop and decides which one a caller sees. Nothing here knows HTTP.
"""
