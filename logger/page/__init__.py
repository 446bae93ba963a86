"""Serve a page to look at: all vats at a glance, one vat's curve, journal and batch.

Law: it only reads, and commands nothing: there is no form and no method but GET. It runs in a process of its own, so
that nothing that comes over a network can hold up the watch.

Starlette (routes), uvicorn (HTTP) and Jinja2 (templates that escape what they are given) are an extra, `page`: who does
not serve a page does not install them.
"""
