CREATE TABLE added_digest (
    id INTEGER NOT NULL PRIMARY KEY AUTOINCREMENT,
    file_id INTEGER NOT NULL,
    copy_id INTEGER NOT NULL,
    kind TEXT NOT NULL,
    digest TEXT NOT NULL,
    run TEXT NOT NULL,
    who TEXT NOT NULL,
    machine TEXT NOT NULL,
    boot TEXT NOT NULL,
    at TEXT NOT NULL,
    CONSTRAINT fk_added_digest_copy_id FOREIGN KEY(copy_id) REFERENCES copy (id),
    CONSTRAINT fk_added_digest_file_id FOREIGN KEY(file_id) REFERENCES file (id)
);

CREATE TABLE card_look (
    id INTEGER NOT NULL PRIMARY KEY AUTOINCREMENT,
    file_id INTEGER NOT NULL,
    run TEXT NOT NULL,
    who TEXT NOT NULL,
    machine TEXT NOT NULL,
    boot TEXT NOT NULL,
    at TEXT NOT NULL,
    route TEXT NOT NULL,
    kind TEXT NOT NULL,
    digest TEXT NOT NULL,
    CONSTRAINT fk_card_look_file_id FOREIGN KEY(file_id) REFERENCES file (id)
);

CREATE TABLE card_note (
    id INTEGER NOT NULL,
    offload_id INTEGER NOT NULL,
    kind TEXT NOT NULL,
    path BLOB NOT NULL,
    detail TEXT NOT NULL,
    CONSTRAINT pk_card_note PRIMARY KEY (id),
    CONSTRAINT fk_card_note_offload_id FOREIGN KEY(offload_id) REFERENCES offload (id)
);

CREATE TABLE catalog_version (
    version_num VARCHAR(32) NOT NULL,
    CONSTRAINT catalog_version_pkc PRIMARY KEY (version_num)
);

CREATE TABLE clip (
    id INTEGER NOT NULL,
    roll_id INTEGER NOT NULL,
    name TEXT NOT NULL,
    facts TEXT NOT NULL,
    poster TEXT, slate_picture TEXT,
    CONSTRAINT pk_clip PRIMARY KEY (id),
    CONSTRAINT fk_clip_roll_id FOREIGN KEY(roll_id) REFERENCES roll (id),
    CONSTRAINT uq_clip_roll_id_name UNIQUE (roll_id, name)
);

CREATE TABLE clip_file (
    id INTEGER NOT NULL,
    clip_id INTEGER NOT NULL,
    path BLOB NOT NULL,
    role TEXT NOT NULL,
    CONSTRAINT pk_clip_file PRIMARY KEY (id),
    CONSTRAINT fk_clip_file_clip_id FOREIGN KEY(clip_id) REFERENCES clip (id)
);

CREATE TABLE clip_look (
    id INTEGER NOT NULL PRIMARY KEY AUTOINCREMENT,
    clip_id INTEGER NOT NULL,
    run TEXT NOT NULL,
    who TEXT NOT NULL,
    machine TEXT NOT NULL,
    boot TEXT NOT NULL,
    at TEXT NOT NULL,
    drive TEXT NOT NULL,
    health TEXT NOT NULL,
    CONSTRAINT fk_clip_look_clip_id FOREIGN KEY(clip_id) REFERENCES clip (id)
);

CREATE TABLE copy (
    id INTEGER NOT NULL,
    file_id INTEGER NOT NULL,
    drive_id INTEGER NOT NULL,
    path BLOB NOT NULL,
    path_key BLOB NOT NULL,
    CONSTRAINT pk_copy PRIMARY KEY (id),
    CONSTRAINT fk_copy_drive_id FOREIGN KEY(drive_id) REFERENCES drive (id),
    CONSTRAINT fk_copy_file_id FOREIGN KEY(file_id) REFERENCES file (id),
    CONSTRAINT uq_copy_file_id_drive_id_path_key UNIQUE (file_id, drive_id, path_key)
);

CREATE TABLE custody (
    id INTEGER NOT NULL PRIMARY KEY AUTOINCREMENT,
    about TEXT NOT NULL,
    subject TEXT NOT NULL,
    what TEXT NOT NULL,
    value TEXT NOT NULL,
    who TEXT NOT NULL,
    machine TEXT NOT NULL,
    boot TEXT NOT NULL,
    at TEXT NOT NULL,
    looks BIGINT NOT NULL
);

CREATE TABLE drive (
    id INTEGER NOT NULL,
    marker TEXT NOT NULL,
    name TEXT NOT NULL,
    fs_uuid TEXT,
    serial TEXT,
    device TEXT NOT NULL,
    fs_type TEXT NOT NULL,
    root BLOB NOT NULL,
    first_seen TEXT NOT NULL,
    last_seen TEXT NOT NULL,
    CONSTRAINT pk_drive PRIMARY KEY (id)
);

CREATE TABLE file (
    id INTEGER NOT NULL,
    roll_id INTEGER NOT NULL,
    offload_id INTEGER NOT NULL,
    path BLOB NOT NULL,
    path_key BLOB NOT NULL,
    size BIGINT NOT NULL,
    mtime_ns TEXT NOT NULL,
    samples TEXT NOT NULL,
    digests TEXT NOT NULL,
    CONSTRAINT pk_file PRIMARY KEY (id),
    CONSTRAINT fk_file_offload_id FOREIGN KEY(offload_id) REFERENCES offload (id),
    CONSTRAINT fk_file_roll_id FOREIGN KEY(roll_id) REFERENCES roll (id)
);

CREATE TABLE look (
    id INTEGER NOT NULL PRIMARY KEY AUTOINCREMENT,
    copy_id INTEGER NOT NULL,
    run TEXT NOT NULL,
    who TEXT NOT NULL,
    machine TEXT NOT NULL,
    boot TEXT NOT NULL,
    mount TEXT NOT NULL,
    act TEXT NOT NULL,
    state TEXT NOT NULL,
    route TEXT,
    against TEXT NOT NULL,
    size BIGINT,
    kind TEXT,
    digest TEXT,
    at TEXT NOT NULL,
    detail TEXT NOT NULL,
    CONSTRAINT fk_look_copy_id FOREIGN KEY(copy_id) REFERENCES copy (id)
);

CREATE TABLE offload (
    id INTEGER NOT NULL,
    run TEXT NOT NULL,
    roll_id INTEGER NOT NULL,
    day BIGINT NOT NULL,
    date TEXT NOT NULL,
    camera TEXT,
    card_label TEXT NOT NULL,
    card_fs_uuid TEXT,
    card_serial TEXT,
    card_device TEXT NOT NULL,
    card_root BLOB NOT NULL,
    who TEXT NOT NULL,
    machine TEXT NOT NULL,
    boot TEXT NOT NULL,
    started TEXT NOT NULL,
    "plan" TEXT NOT NULL,
    CONSTRAINT pk_offload PRIMARY KEY (id),
    CONSTRAINT fk_offload_roll_id FOREIGN KEY(roll_id) REFERENCES roll (id)
);

CREATE TABLE offload_drive (
    id INTEGER NOT NULL,
    offload_id INTEGER NOT NULL,
    drive_id INTEGER NOT NULL,
    folder BLOB NOT NULL,
    files_matched BIGINT NOT NULL,
    bytes BIGINT NOT NULL,
    seconds DOUBLE NOT NULL,
    route TEXT NOT NULL,
    problem TEXT NOT NULL, pace TEXT,
    CONSTRAINT pk_offload_drive PRIMARY KEY (id),
    CONSTRAINT fk_offload_drive_drive_id FOREIGN KEY(drive_id) REFERENCES drive (id),
    CONSTRAINT fk_offload_drive_offload_id FOREIGN KEY(offload_id) REFERENCES offload_end (offload_id)
);

CREATE TABLE offload_end (
    offload_id INTEGER NOT NULL,
    finished TEXT NOT NULL,
    verdict TEXT NOT NULL,
    card_read BIGINT NOT NULL,
    seconds DOUBLE NOT NULL,
    bytes BIGINT NOT NULL,
    files BIGINT NOT NULL,
    known BIGINT NOT NULL,
    left_out BIGINT NOT NULL,
    CONSTRAINT pk_offload_end PRIMARY KEY (offload_id),
    CONSTRAINT fk_offload_end_offload_id FOREIGN KEY(offload_id) REFERENCES offload (id)
);

CREATE TABLE production (
    id INTEGER NOT NULL,
    name TEXT NOT NULL,
    CONSTRAINT pk_production PRIMARY KEY (id),
    CONSTRAINT uq_production_name UNIQUE (name)
);

CREATE TABLE roll (
    id INTEGER NOT NULL,
    production_id INTEGER NOT NULL,
    name TEXT NOT NULL,
    name_folded TEXT NOT NULL,
    day BIGINT NOT NULL,
    date TEXT NOT NULL,
    camera TEXT,
    card TEXT NOT NULL,
    CONSTRAINT pk_roll PRIMARY KEY (id),
    CONSTRAINT fk_roll_production_id FOREIGN KEY(production_id) REFERENCES production (id),
    CONSTRAINT uq_roll_production_id_name_folded UNIQUE (production_id, name_folded)
);

CREATE TABLE roll_move (
    id INTEGER NOT NULL,
    custody_id INTEGER NOT NULL,
    roll_id INTEGER NOT NULL,
    drive_id INTEGER NOT NULL,
    origin BLOB NOT NULL,
    wanted BLOB NOT NULL,
    CONSTRAINT pk_roll_move PRIMARY KEY (id),
    CONSTRAINT fk_roll_move_custody_id FOREIGN KEY(custody_id) REFERENCES custody (id),
    CONSTRAINT fk_roll_move_drive_id FOREIGN KEY(drive_id) REFERENCES drive (id),
    CONSTRAINT fk_roll_move_roll_id FOREIGN KEY(roll_id) REFERENCES roll (id)
);

CREATE TABLE shot_list_load (
    id INTEGER NOT NULL,
    production_id INTEGER NOT NULL,
    list TEXT NOT NULL,
    loaded TEXT NOT NULL,
    who TEXT NOT NULL,
    machine TEXT NOT NULL,
    boot TEXT NOT NULL,
    CONSTRAINT pk_shot_list_load PRIMARY KEY (id),
    CONSTRAINT fk_shot_list_load_production_id FOREIGN KEY(production_id) REFERENCES production (id)
);

CREATE TABLE shot_list_row (
    id INTEGER NOT NULL,
    load_id INTEGER NOT NULL,
    "row" BIGINT NOT NULL,
    scene TEXT NOT NULL,
    shot TEXT,
    setup TEXT,
    day BIGINT,
    date TEXT,
    size TEXT,
    location TEXT,
    cameras TEXT NOT NULL,
    note TEXT,
    extra TEXT NOT NULL,
    CONSTRAINT pk_shot_list_row PRIMARY KEY (id),
    CONSTRAINT fk_shot_list_row_load_id FOREIGN KEY(load_id) REFERENCES shot_list_load (id)
);

CREATE TABLE slate_load (
    id INTEGER NOT NULL,
    production_id INTEGER NOT NULL,
    log TEXT NOT NULL,
    loaded TEXT NOT NULL, who TEXT, machine TEXT, boot TEXT,
    CONSTRAINT pk_slate_load PRIMARY KEY (id),
    CONSTRAINT fk_slate_load_production_id FOREIGN KEY(production_id) REFERENCES production (id)
);

CREATE TABLE slate_row (
    id INTEGER NOT NULL,
    load_id INTEGER NOT NULL,
    "row" BIGINT NOT NULL,
    scene TEXT NOT NULL,
    take TEXT NOT NULL,
    shot TEXT,
    day BIGINT,
    camera TEXT,
    roll TEXT,
    sound_roll TEXT,
    clip TEXT,
    start_timecode TEXT,
    end_timecode TEXT,
    rating TEXT,
    mos BOOLEAN NOT NULL,
    note TEXT,
    extra TEXT NOT NULL, date TEXT, start_clock TEXT, end_clock TEXT, marks TEXT, frame_rate TEXT, lens TEXT, stop TEXT, filter TEXT, iso TEXT, white_balance TEXT, shutter TEXT,
    CONSTRAINT pk_slate_row PRIMARY KEY (id),
    CONSTRAINT fk_slate_row_load_id FOREIGN KEY(load_id) REFERENCES slate_load (id)
);

CREATE TABLE take_link (
    id INTEGER NOT NULL,
    clip_id INTEGER NOT NULL,
    scene TEXT NOT NULL,
    take TEXT NOT NULL,
    shot TEXT,
    rating TEXT,
    sure TEXT NOT NULL,
    basis TEXT NOT NULL,
    note TEXT,
    by_hand BOOLEAN NOT NULL,
    who TEXT,
    machine TEXT,
    boot TEXT,
    set_at TEXT NOT NULL,
    ended TEXT,
    CONSTRAINT pk_take_link PRIMARY KEY (id),
    CONSTRAINT fk_take_link_clip_id FOREIGN KEY(clip_id) REFERENCES clip (id)
);

CREATE TABLE waveform (
    id INTEGER NOT NULL PRIMARY KEY AUTOINCREMENT,
    picture TEXT NOT NULL,
    sound TEXT NOT NULL,
    method BIGINT NOT NULL,
    same BOOLEAN,
    lag_us BIGINT,
    who TEXT NOT NULL,
    machine TEXT NOT NULL,
    boot TEXT NOT NULL,
    at TEXT NOT NULL
);

CREATE INDEX ix_added_digest_file_id ON added_digest (file_id);

CREATE INDEX ix_card_look_file_id ON card_look (file_id);

CREATE INDEX ix_card_note_offload_id ON card_note (offload_id);

CREATE INDEX ix_clip_file_clip_id ON clip_file (clip_id);

CREATE INDEX ix_clip_look_clip_id ON clip_look (clip_id);

CREATE INDEX ix_copy_drive_id ON copy (drive_id);

CREATE INDEX ix_custody_about ON custody (about);

CREATE INDEX ix_drive_marker ON drive (marker);

CREATE INDEX ix_file_path_key_roll_id ON file (path_key, roll_id);

CREATE INDEX ix_file_roll_id ON file (roll_id);

CREATE INDEX ix_look_copy_id ON look (copy_id);

CREATE INDEX ix_offload_drive_offload_id ON offload_drive (offload_id);

CREATE INDEX ix_offload_roll_id ON offload (roll_id);

CREATE INDEX ix_roll_move_roll_id ON roll_move (roll_id);

CREATE INDEX ix_shot_list_load_production_id ON shot_list_load (production_id);

CREATE INDEX ix_shot_list_row_load_id ON shot_list_row (load_id);

CREATE INDEX ix_slate_load_production_id ON slate_load (production_id);

CREATE INDEX ix_slate_row_load_id ON slate_row (load_id);

CREATE INDEX ix_take_link_clip_id ON take_link (clip_id);

CREATE INDEX ix_waveform_picture ON waveform (picture);

CREATE TRIGGER added_digest_never_changed BEFORE UPDATE ON added_digest
BEGIN SELECT RAISE(ABORT, 'evidence is never changed'); END;

CREATE TRIGGER added_digest_never_deleted BEFORE DELETE ON added_digest
BEGIN SELECT RAISE(ABORT, 'evidence is never deleted'); END;

CREATE TRIGGER added_digest_never_replaced BEFORE INSERT ON added_digest
WHEN EXISTS (SELECT 1 FROM added_digest WHERE id = NEW.id)
BEGIN SELECT RAISE(ABORT, 'evidence is never replaced'); END;

CREATE TRIGGER card_look_never_changed BEFORE UPDATE ON card_look
BEGIN SELECT RAISE(ABORT, 'evidence is never changed'); END;

CREATE TRIGGER card_look_never_deleted BEFORE DELETE ON card_look
BEGIN SELECT RAISE(ABORT, 'evidence is never deleted'); END;

CREATE TRIGGER card_look_never_replaced BEFORE INSERT ON card_look
WHEN EXISTS (SELECT 1 FROM card_look WHERE id = NEW.id)
BEGIN SELECT RAISE(ABORT, 'evidence is never replaced'); END;

CREATE TRIGGER clip_look_never_changed BEFORE UPDATE ON clip_look
BEGIN SELECT RAISE(ABORT, 'evidence is never changed'); END;

CREATE TRIGGER clip_look_never_deleted BEFORE DELETE ON clip_look
BEGIN SELECT RAISE(ABORT, 'evidence is never deleted'); END;

CREATE TRIGGER clip_look_never_replaced BEFORE INSERT ON clip_look
WHEN EXISTS (SELECT 1 FROM clip_look WHERE id = NEW.id)
BEGIN SELECT RAISE(ABORT, 'evidence is never replaced'); END;

CREATE TRIGGER custody_never_changed BEFORE UPDATE ON custody
BEGIN SELECT RAISE(ABORT, 'what was written down is never changed'); END;

CREATE TRIGGER custody_never_deleted BEFORE DELETE ON custody
BEGIN SELECT RAISE(ABORT, 'what was written down is never deleted'); END;

CREATE TRIGGER custody_never_replaced BEFORE INSERT ON custody
WHEN EXISTS (SELECT 1 FROM custody WHERE id = NEW.id)
BEGIN SELECT RAISE(ABORT, 'what was written down is never replaced'); END;

CREATE TRIGGER look_never_changed BEFORE UPDATE ON look
BEGIN SELECT RAISE(ABORT, 'evidence is never changed'); END;

CREATE TRIGGER look_never_deleted BEFORE DELETE ON look
BEGIN SELECT RAISE(ABORT, 'evidence is never deleted'); END;

CREATE TRIGGER look_never_replaced BEFORE INSERT ON look
WHEN EXISTS (SELECT 1 FROM look WHERE id = NEW.id)
BEGIN SELECT RAISE(ABORT, 'evidence is never replaced'); END;

CREATE TRIGGER offload_drive_never_changed BEFORE UPDATE ON offload_drive
BEGIN SELECT RAISE(ABORT, 'evidence is never changed'); END;

CREATE TRIGGER offload_drive_never_deleted BEFORE DELETE ON offload_drive
BEGIN SELECT RAISE(ABORT, 'evidence is never deleted'); END;

CREATE TRIGGER offload_drive_never_replaced BEFORE INSERT ON offload_drive
WHEN EXISTS (SELECT 1 FROM offload_drive WHERE id = NEW.id)
BEGIN SELECT RAISE(ABORT, 'evidence is never replaced'); END;

CREATE TRIGGER offload_end_never_changed BEFORE UPDATE ON offload_end
BEGIN SELECT RAISE(ABORT, 'evidence is never changed'); END;

CREATE TRIGGER offload_end_never_deleted BEFORE DELETE ON offload_end
BEGIN SELECT RAISE(ABORT, 'evidence is never deleted'); END;

CREATE TRIGGER offload_end_never_replaced BEFORE INSERT ON offload_end
WHEN EXISTS (SELECT 1 FROM offload_end WHERE offload_id = NEW.offload_id)
BEGIN SELECT RAISE(ABORT, 'evidence is never replaced'); END;

CREATE TRIGGER waveform_never_changed BEFORE UPDATE ON waveform
BEGIN SELECT RAISE(ABORT, 'what was compared is never changed'); END;

CREATE TRIGGER waveform_never_deleted BEFORE DELETE ON waveform
BEGIN SELECT RAISE(ABORT, 'what was compared is never deleted'); END;

CREATE TRIGGER waveform_never_replaced BEFORE INSERT ON waveform
WHEN EXISTS (SELECT 1 FROM waveform WHERE id = NEW.id)
BEGIN SELECT RAISE(ABORT, 'evidence is never replaced'); END;
