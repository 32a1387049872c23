"""The tables of the watch log, as the newest version has them.

Instants are whole milliseconds since 1970-01-01T00:00:00Z, rounded as `watcher.utc.write_utc` rounds: an
integer compares, subtracts and indexes faster than a text, and has one spelling. The names end in `_utc_ms`.
What is not known is NULL. A number that is not finite is not known.

A change of a table needs a new step in `watcher.log.upgrade`, and leaves earlier steps as they are.
"""

from __future__ import annotations

from sqlalchemy import (
    Boolean,
    CheckConstraint,
    Column,
    Float,
    ForeignKey,
    Index,
    Integer,
    MetaData,
    Table,
    Text,
    false,
)

FILE_NAME = "watch-log.sqlite3"

TABLES = MetaData(
    naming_convention={
        "ix": "ix_%(table_name)s_%(column_0_N_name)s",
        "uq": "uq_%(table_name)s_%(column_0_N_name)s",
        "ck": "ck_%(table_name)s_%(constraint_name)s",
        "fk": "fk_%(table_name)s_%(column_0_name)s",
        "pk": "pk_%(table_name)s",
    }
)


def _of_watch() -> Column[int]:
    return Column("watch_id", Integer, ForeignKey("watch.watch_id"), nullable=False)


def _span() -> tuple[Column[int], Column[int], CheckConstraint]:
    return (
        Column("start_utc_ms", Integer, nullable=False),
        Column("stop_utc_ms", Integer, nullable=False),
        CheckConstraint("start_utc_ms <= stop_utc_ms", name="in_order"),
    )


# One row: the version of this database.
schema_version = Table("schema_version", TABLES, Column("version", Integer, nullable=False))

# One run of the receiver. A watch whose end is NULL is still running, or was killed.
watch = Table(
    "watch",
    TABLES,
    Column("watch_id", Integer, primary_key=True),
    Column("started_utc_ms", Integer, nullable=False, index=True),
    Column("ended_utc_ms", Integer),
    Column("ended_by", Text),
    Column("source_label", Text, nullable=False),
    Column("station", Text),
    Column("time_zone", Text, nullable=False),
    Column("plan_text", Text, nullable=False),
    Column("plan_sha256", Text, nullable=False),
    Column("program_version", Text, nullable=False),
    Column("samples_read", Integer),
    Column("samples_lost", Integer),
    Column("samples_clipped", Integer),
    Column("notes", Text, nullable=False),
)

# What the watch listened to, in the order of the plan.
watch_channel = Table(
    "watch_channel",
    TABLES,
    Column("watch_id", Integer, ForeignKey("watch.watch_id"), primary_key=True),
    Column("number", Integer, primary_key=True),
    Column("name", Text, nullable=False),
    Column("frequency_hz", Integer, nullable=False),
    Column("mode", Text, nullable=False),
    Column("bandwidth_hz", Integer, nullable=False),
    Column("expect_tone_hz", Float),
    Column("priority", Integer, nullable=False),
    Column("raise_threshold_db", Float, nullable=False),
    Column("expect_code", Text),
    Column("require_tone", Boolean, nullable=False, server_default=false()),
    Column("keep", Text, nullable=False, server_default="all"),
    Column("calling", Boolean, nullable=False, server_default=false()),
)

# The unbroken runs of samples the watch was made of; sample counts of transmissions are counts within one.
stretch = Table(
    "stretch",
    TABLES,
    Column("watch_id", Integer, ForeignKey("watch.watch_id"), primary_key=True),
    Column("number", Integer, primary_key=True),
    Column("start_utc_ms", Integer, nullable=False),
    Column("time_is_known", Boolean, nullable=False),
    Column("sample_rate_hz", Integer, nullable=False),
    Column("centre_hz", Integer, nullable=False),
    Column("samples", Integer),
    Column("label", Text, nullable=False),
)

transmission = Table(
    "transmission",
    TABLES,
    Column("entry_id", Integer, primary_key=True),
    _of_watch(),
    Column("channel", Text, nullable=False),
    Column("frequency_hz", Integer, nullable=False),
    Column("mode", Text, nullable=False),
    Column("start_sample", Integer, nullable=False),
    Column("stop_sample", Integer, nullable=False),
    Column("start_utc_ms", Integer, nullable=False),
    Column("end_utc_ms", Integer, nullable=False),
    Column("clip_start_utc_ms", Integer, nullable=False),
    Column("clip_end_utc_ms", Integer, nullable=False),
    Column("ended_by", Text, nullable=False),
    Column("on_at_start", Boolean, nullable=False),
    Column("piece", Integer, nullable=False),
    Column("snr_db", Float),
    Column("snr_sigma_db", Float),
    Column("power_dbfs", Float),
    Column("frequency_error_hz", Float),
    Column("frequency_error_sigma_hz", Float),
    Column("peak_deviation_hz", Float),
    Column("peak_deviation_sigma_hz", Float),
    Column("rms_deviation_hz", Float),
    Column("rms_deviation_sigma_hz", Float),
    # False: nobody looked for a tone. True with tone_hz NULL: looked for, and none of the listed is there.
    Column("tone_was_read", Boolean, nullable=False),
    Column("tone_hz", Float),
    Column("tone_estimate_hz", Float),
    Column("tone_estimate_sigma_hz", Float),
    Column("tone_deviation_hz", Float),
    Column("tone_deviation_sigma_hz", Float),
    Column("tone_probability", Float),
    Column("tone_first_word_ms", Float),
    Column("flags", Text, nullable=False),  # a JSON list of texts
    Column("clip_path", Text, unique=True),  # relative to the folder, with forward slashes
    Column("clip_sha256", Text),
    Column("clip_audio_frames", Integer),
    # False: nobody looked for a code. True with dcs NULL: looked for, and there is none.
    Column("dcs_was_read", Boolean, nullable=False, server_default=false()),
    Column("dcs", Text),
    Column("dcs_other_name", Text),
    Column("dcs_deviation_hz", Float),
    Column("dcs_probability", Float),
    Column("dcs_turn_off_s", Float),
    Column("kind", Text),
    Column("kind_probability", Float),
    Column("speech_s", Float),
    Column("tone_s", Float),
    Column("data_s", Float),
    Column("findings", Text, nullable=False, server_default="[]"),  # a JSON list of objects
    # A JSON list of guesses; NULL where nobody looked. Too weak to check is the text "too weak".
    Column("possible_words", Text),
    Column("iq_path", Text),  # relative to the folder, with forward slashes
    Column(
        "clip_removed_utc_ms", Integer
    ),  # retention removed the clip; with a path still there, it began to
    CheckConstraint("start_utc_ms <= end_utc_ms", name="in_order"),
    Index(None, "start_utc_ms", "entry_id"),
    Index(None, "channel", "start_utc_ms"),
    Index(None, "end_utc_ms"),
    Index(None, "watch_id"),
)

# When a watch with windows was to be stood, and why where it is none of the plan's own: a follow-up.
window = Table(
    "window",
    TABLES,
    Column("window_id", Integer, primary_key=True),
    _of_watch(),
    *_span(),
    Column("name", Text, nullable=False),
    Column("reason", Text, nullable=False),
    Index(None, "watch_id", "start_utc_ms"),
)

gap = Table(
    "gap",
    TABLES,
    Column("gap_id", Integer, primary_key=True),
    _of_watch(),
    Column("channel", Text, nullable=False),
    *_span(),
    Column("cause", Text, nullable=False),
    Index(None, "channel", "start_utc_ms"),
    Index(None, "start_utc_ms"),
)

watched = Table(
    "watched",
    TABLES,
    Column("watched_id", Integer, primary_key=True),
    _of_watch(),
    Column("channel", Text, nullable=False),
    *_span(),
    Index(None, "channel", "start_utc_ms"),
    Index(None, "start_utc_ms"),
)

condition = Table(
    "condition",
    TABLES,
    Column("condition_id", Integer, primary_key=True),
    _of_watch(),
    Column("channel", Text, nullable=False),
    Column("kind", Text, nullable=False),
    *_span(),
    Column("offset_hz", Float),
    Column("snr_db", Float),
    Column("evidence", Text, nullable=False),
    Index(None, "channel", "start_utc_ms"),
    Index(None, "start_utc_ms"),
)

# The operator's mark on an entry as it stands. No row, or no verdict: not yet heard.
mark = Table(
    "mark",
    TABLES,
    Column("entry_id", Integer, ForeignKey("transmission.entry_id"), primary_key=True),
    Column("verdict", Text),
    Column("note", Text, nullable=False),
    Column("who", Text, nullable=False),
    Column("revision", Integer, nullable=False),  # counts the changes; a change names the one it saw
    Column("changed_utc_ms", Integer, nullable=False),
    Index(None, "verdict"),
)

# Every state a mark has had. Changes made together share a batch; an undoing names the revision it restores.
mark_history = Table(
    "mark_history",
    TABLES,
    Column("history_id", Integer, primary_key=True),
    Column("batch_id", Integer, nullable=False),
    Column("entry_id", Integer, ForeignKey("transmission.entry_id"), nullable=False),
    Column("verdict", Text),
    Column("note", Text, nullable=False),
    Column("who", Text, nullable=False),
    Column("revision", Integer, nullable=False),
    Column("changed_utc_ms", Integer, nullable=False),
    Column("restores", Integer),
    Index(None, "entry_id", "revision", unique=True),
    Index(None, "batch_id"),
)
