-- A database as version 1 of the schema made it. Never changed: later versions must read it.
CREATE TABLE schema_version (
    version INTEGER NOT NULL
);
CREATE TABLE watch (
    watch_id INTEGER NOT NULL,
    started_utc_ms INTEGER NOT NULL,
    ended_utc_ms INTEGER,
    ended_by TEXT,
    source_label TEXT NOT NULL,
    station TEXT,
    time_zone TEXT NOT NULL,
    plan_text TEXT NOT NULL,
    plan_sha256 TEXT NOT NULL,
    program_version TEXT NOT NULL,
    samples_read INTEGER,
    samples_lost INTEGER,
    samples_clipped INTEGER,
    notes TEXT NOT NULL,
    CONSTRAINT pk_watch PRIMARY KEY (watch_id)
);
CREATE INDEX ix_watch_started_utc_ms ON watch (started_utc_ms);
CREATE TABLE watch_channel (
    watch_id INTEGER NOT NULL,
    number INTEGER NOT NULL,
    name TEXT NOT NULL,
    frequency_hz INTEGER NOT NULL,
    mode TEXT NOT NULL,
    bandwidth_hz INTEGER NOT NULL,
    expect_tone_hz FLOAT,
    priority INTEGER NOT NULL,
    raise_threshold_db FLOAT NOT NULL,
    CONSTRAINT pk_watch_channel PRIMARY KEY (watch_id, number),
    CONSTRAINT fk_watch_channel_watch_id FOREIGN KEY(watch_id) REFERENCES watch (watch_id)
);
CREATE TABLE stretch (
    watch_id INTEGER NOT NULL,
    number INTEGER NOT NULL,
    start_utc_ms INTEGER NOT NULL,
    time_is_known BOOLEAN NOT NULL,
    sample_rate_hz INTEGER NOT NULL,
    centre_hz INTEGER NOT NULL,
    samples INTEGER,
    label TEXT NOT NULL,
    CONSTRAINT pk_stretch PRIMARY KEY (watch_id, number),
    CONSTRAINT fk_stretch_watch_id FOREIGN KEY(watch_id) REFERENCES watch (watch_id)
);
CREATE TABLE transmission (
    entry_id INTEGER NOT NULL,
    watch_id INTEGER NOT NULL,
    channel TEXT NOT NULL,
    frequency_hz INTEGER NOT NULL,
    mode TEXT NOT NULL,
    start_sample INTEGER NOT NULL,
    stop_sample INTEGER NOT NULL,
    start_utc_ms INTEGER NOT NULL,
    end_utc_ms INTEGER NOT NULL,
    clip_start_utc_ms INTEGER NOT NULL,
    clip_end_utc_ms INTEGER NOT NULL,
    ended_by TEXT NOT NULL,
    on_at_start BOOLEAN NOT NULL,
    piece INTEGER NOT NULL,
    snr_db FLOAT,
    snr_sigma_db FLOAT,
    power_dbfs FLOAT,
    frequency_error_hz FLOAT,
    frequency_error_sigma_hz FLOAT,
    peak_deviation_hz FLOAT,
    peak_deviation_sigma_hz FLOAT,
    rms_deviation_hz FLOAT,
    rms_deviation_sigma_hz FLOAT,
    tone_was_read BOOLEAN NOT NULL,
    tone_hz FLOAT,
    tone_estimate_hz FLOAT,
    tone_estimate_sigma_hz FLOAT,
    tone_deviation_hz FLOAT,
    tone_deviation_sigma_hz FLOAT,
    tone_probability FLOAT,
    tone_first_word_ms FLOAT,
    flags TEXT NOT NULL,
    clip_path TEXT,
    clip_sha256 TEXT,
    clip_audio_frames INTEGER,
    CONSTRAINT pk_transmission PRIMARY KEY (entry_id),
    CONSTRAINT ck_transmission_in_order CHECK (start_utc_ms <= end_utc_ms),
    CONSTRAINT fk_transmission_watch_id FOREIGN KEY(watch_id) REFERENCES watch (watch_id),
    CONSTRAINT uq_transmission_clip_path UNIQUE (clip_path)
);
CREATE INDEX ix_transmission_start_utc_ms_entry_id ON transmission (start_utc_ms, entry_id);
CREATE INDEX ix_transmission_channel_start_utc_ms ON transmission (channel, start_utc_ms);
CREATE INDEX ix_transmission_end_utc_ms ON transmission (end_utc_ms);
CREATE INDEX ix_transmission_watch_id ON transmission (watch_id);
CREATE TABLE gap (
    gap_id INTEGER NOT NULL,
    watch_id INTEGER NOT NULL,
    channel TEXT NOT NULL,
    start_utc_ms INTEGER NOT NULL,
    stop_utc_ms INTEGER NOT NULL,
    cause TEXT NOT NULL,
    CONSTRAINT pk_gap PRIMARY KEY (gap_id),
    CONSTRAINT ck_gap_in_order CHECK (start_utc_ms <= stop_utc_ms),
    CONSTRAINT fk_gap_watch_id FOREIGN KEY(watch_id) REFERENCES watch (watch_id)
);
CREATE INDEX ix_gap_channel_start_utc_ms ON gap (channel, start_utc_ms);
CREATE INDEX ix_gap_start_utc_ms ON gap (start_utc_ms);
CREATE TABLE watched (
    watched_id INTEGER NOT NULL,
    watch_id INTEGER NOT NULL,
    channel TEXT NOT NULL,
    start_utc_ms INTEGER NOT NULL,
    stop_utc_ms INTEGER NOT NULL,
    CONSTRAINT pk_watched PRIMARY KEY (watched_id),
    CONSTRAINT ck_watched_in_order CHECK (start_utc_ms <= stop_utc_ms),
    CONSTRAINT fk_watched_watch_id FOREIGN KEY(watch_id) REFERENCES watch (watch_id)
);
CREATE INDEX ix_watched_channel_start_utc_ms ON watched (channel, start_utc_ms);
CREATE INDEX ix_watched_start_utc_ms ON watched (start_utc_ms);
CREATE TABLE condition (
    condition_id INTEGER NOT NULL,
    watch_id INTEGER NOT NULL,
    channel TEXT NOT NULL,
    kind TEXT NOT NULL,
    start_utc_ms INTEGER NOT NULL,
    stop_utc_ms INTEGER NOT NULL,
    offset_hz FLOAT,
    snr_db FLOAT,
    evidence TEXT NOT NULL,
    CONSTRAINT pk_condition PRIMARY KEY (condition_id),
    CONSTRAINT ck_condition_in_order CHECK (start_utc_ms <= stop_utc_ms),
    CONSTRAINT fk_condition_watch_id FOREIGN KEY(watch_id) REFERENCES watch (watch_id)
);
CREATE INDEX ix_condition_channel_start_utc_ms ON condition (channel, start_utc_ms);
CREATE INDEX ix_condition_start_utc_ms ON condition (start_utc_ms);
INSERT INTO schema_version (version) VALUES (1);
INSERT INTO watch (watch_id, started_utc_ms, source_label, time_zone, plan_text, plan_sha256, program_version, notes)
VALUES (1, 1935662400000, 'ridge.sigmf-meta', 'UTC', 'plan', '00', '0.1.0', '');
INSERT INTO transmission (
    entry_id, watch_id, channel, frequency_hz, mode, start_sample, stop_sample, start_utc_ms, end_utc_ms,
    clip_start_utc_ms, clip_end_utc_ms, ended_by, on_at_start, piece, tone_was_read, flags
)
VALUES (
    1, 1, '2 m calling', 146520000, 'nfm', 0, 2400000, 1935662400000, 1935662401000,
    1935662399000, 1935662402000, 'carrier drop', 0, 1, 0, '["sustained"]'
);
