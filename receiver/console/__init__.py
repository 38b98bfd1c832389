"""The console: pages over the journal, for the station's engineer and for the installer's phone.

A process of its own. It reads the journal as any command does, and writes as any command does: by wishes that the bench
takes. So no page ever delays an answer to a panel, and what is done here stands in the journal beside what is done on the
terminal.

    door        who may come in: one-time links, passwords, sessions, PINs, and how often somebody may try
    house       what the pages share: settings, templates, times, errors in words
    feed        one look into the journal for all who watch
    live        what arrives, and a row explained
    requests    from what an installer asks for to an account: requests and callers, identify, assign
    station     accounts, lines and paths, every word explained, and what a search finds
    shifts      between engineers: refused alarms, notes, hand-over
    provings    the engineer's side of a proving, and its record
    site        the installer's side, on a phone: one proving and nothing else
    app         all of it put together

Each page is whole without script; `static/console.js` only keeps it up to date.
"""
