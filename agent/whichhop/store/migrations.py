"""The store's tables as numbered steps: a step once shipped is never edited, a change is a new step."""

APPLICATION_ID = 0x77686F70
"""Marks the file as ours (SQLite's application_id): the letters "whop"."""

# chain: one hash chain of records. `origin` is drawn when it begins, so that an agent whose store was begun
#   anew is not mistaken for its former self. `own` is 1 for chains that grow here, 0 for collected ones.
#   `head` is the link after record `last_seq`. `readings_seq`: how far its readings were collected.
# minute: one record, as long as its hour is young; `before` is the link it builds on.
# hour: a session's records of a past hour in one block; `seqs` names their places in the chain.
# gap: places a collected chain skips, since the other agent had dropped them before they were fetched.
# mark, look: notes of people, not measurements; no part of any chain, since they may be made weeks later
#   and taken back.
# draft: a session's minutes that are still open, as they stood a moment ago; made records after a kill.
# lease: who may transfer how much, on which day (model/transfer.py); no part of any chain either.
MIGRATIONS: tuple[tuple[str, ...], ...] = (
    (
        """CREATE TABLE chain (
            id INTEGER PRIMARY KEY, agent TEXT NOT NULL, origin BLOB NOT NULL, own INTEGER NOT NULL,
            last_seq INTEGER NOT NULL, head BLOB NOT NULL, readings_seq INTEGER NOT NULL DEFAULT 0,
            UNIQUE (agent, origin))""",
        """CREATE TABLE session (
            id INTEGER PRIMARY KEY, agent TEXT NOT NULL, target TEXT NOT NULL, method TEXT NOT NULL,
            UNIQUE (agent, target, method))""",
        """CREATE TABLE minute (
            chain INTEGER NOT NULL REFERENCES chain, seq INTEGER NOT NULL,
            session INTEGER NOT NULL REFERENCES session, minute INTEGER NOT NULL, start_ns INTEGER NOT NULL,
            before BLOB NOT NULL, body BLOB NOT NULL, PRIMARY KEY (chain, seq)) WITHOUT ROWID""",
        "CREATE UNIQUE INDEX minute_once ON minute (session, minute, start_ns)",
        """CREATE TABLE hour (
            id INTEGER PRIMARY KEY, chain INTEGER NOT NULL REFERENCES chain,
            session INTEGER NOT NULL REFERENCES session, hour INTEGER NOT NULL,
            first_seq INTEGER NOT NULL, last_seq INTEGER NOT NULL, seqs BLOB NOT NULL,
            before BLOB NOT NULL, body BLOB NOT NULL)""",
        "CREATE INDEX hour_session ON hour (session, hour)",
        "CREATE INDEX hour_chain ON hour (chain, first_seq, last_seq)",
        """CREATE TABLE gap (
            chain INTEGER NOT NULL REFERENCES chain, after_seq INTEGER NOT NULL, next_seq INTEGER NOT NULL,
            before BLOB NOT NULL, PRIMARY KEY (chain, next_seq)) WITHOUT ROWID""",
        """CREATE TABLE gauge (
            id INTEGER PRIMARY KEY, agent TEXT NOT NULL, name TEXT NOT NULL, UNIQUE (agent, name))""",
        """CREATE TABLE reading (
            seq INTEGER PRIMARY KEY AUTOINCREMENT, gauge INTEGER NOT NULL REFERENCES gauge,
            at_ns INTEGER NOT NULL, value REAL NOT NULL)""",
        "CREATE UNIQUE INDEX reading_once ON reading (gauge, at_ns)",
    ),
    # 2: what people changed, and how often they looked at what it did (change/before_after.py).
    (
        """CREATE TABLE mark (
            id INTEGER PRIMARY KEY AUTOINCREMENT, at_ns INTEGER NOT NULL, text TEXT NOT NULL,
            change TEXT NOT NULL, expected TEXT NOT NULL, UNIQUE (at_ns, text))""",
        """CREATE TABLE look (
            of_ns INTEGER NOT NULL, at_ns INTEGER NOT NULL, from_ns INTEGER NOT NULL, to_ns INTEGER NOT NULL,
            PRIMARY KEY (of_ns, from_ns, to_ns)) WITHOUT ROWID""",
    ),
    # 3: what a kill must not cost: the minutes still open, and the day's budget of transfers.
    (
        "CREATE TABLE draft (id INTEGER PRIMARY KEY, body BLOB NOT NULL)",
        """CREATE TABLE lease (
            number TEXT PRIMARY KEY, who TEXT NOT NULL, day TEXT NOT NULL, until_ns INTEGER NOT NULL,
            octets INTEGER NOT NULL, used INTEGER) WITHOUT ROWID""",
    ),
    # 4: each agent's own word on its chain, and on the copies of others' chains; the newest is enough.
    (
        """CREATE TABLE signed (
            chain INTEGER PRIMARY KEY REFERENCES chain, seq INTEGER NOT NULL, head BLOB NOT NULL,
            at_ns INTEGER NOT NULL, public_key BLOB NOT NULL, signature BLOB NOT NULL)""",
    ),
    # 5: calls to the provider, as somebody wrote them down.
    (
        """CREATE TABLE call_note (
            id INTEGER PRIMARY KEY AUTOINCREMENT, at_ns INTEGER NOT NULL, text TEXT NOT NULL,
            spoke_to TEXT NOT NULL, ticket TEXT NOT NULL, promised TEXT NOT NULL, UNIQUE (at_ns, text))""",
    ),
    # 6: what the comparer found, for weeks: faults; judged minutes (a bit each) and the worst modem levels by
    # the hour since 1970.
    (
        """CREATE TABLE past_fault (
            start_ns INTEGER NOT NULL, elements TEXT NOT NULL, end_ns INTEGER NOT NULL, cause TEXT NOT NULL,
            PRIMARY KEY (start_ns, elements)) WITHOUT ROWID""",
        "CREATE TABLE judged_hour (hour INTEGER PRIMARY KEY, minutes INTEGER NOT NULL)",
        """CREATE TABLE level_hour (
            hour INTEGER NOT NULL, node TEXT NOT NULL, down_low REAL, down_high REAL, snr_low REAL,
            up_high REAL, lost INTEGER, PRIMARY KEY (hour, node)) WITHOUT ROWID""",
    ),
    # 7: what is written each minute lies together: an SD card counts pages, not octets. An index that begins
    # with the gauge touched a page a gauge; rows in the order of a key are split where a plain table appends.
    (
        "DROP INDEX reading_once",
        "CREATE UNIQUE INDEX reading_once ON reading (at_ns, gauge)",
        """CREATE TABLE young (
            chain INTEGER NOT NULL REFERENCES chain, seq INTEGER NOT NULL,
            session INTEGER NOT NULL REFERENCES session, minute INTEGER NOT NULL, start_ns INTEGER NOT NULL,
            before BLOB NOT NULL, body BLOB NOT NULL, PRIMARY KEY (chain, seq))""",
        "INSERT INTO young SELECT * FROM minute ORDER BY chain, seq",
        "DROP TABLE minute",
        "ALTER TABLE young RENAME TO minute",
        "CREATE UNIQUE INDEX minute_once ON minute (session, minute, start_ns)",
    ),
)
