"""Sealed records: an instrument's account as one canonical document, signed, chained, and checked from its file alone.

`document` gathers the account, `seal` signs it and keeps it, `verify` checks a file, `page` shows one.
"""
