-- A journal of format version 1, as that version wrote it.
PRAGMA application_id = 1701669425;
PRAGMA user_version = 1;
BEGIN TRANSACTION;
CREATE TABLE ice (
            note_id INTEGER PRIMARY KEY REFERENCES notes (id),
            lake_id TEXT NOT NULL,
            date TEXT NOT NULL,
            event TEXT NOT NULL CHECK (event IN ('on', 'off'))
        );
INSERT INTO "ice" VALUES(3,'cedar','2025-04-18','off');
CREATE TABLE notes (
            id INTEGER PRIMARY KEY AUTOINCREMENT,
            kind TEXT NOT NULL CHECK (kind IN ('reading', 'ice', 'sighting')),
            created TEXT NOT NULL,
            source TEXT NOT NULL,
            writer TEXT NOT NULL DEFAULT '',
            undone TEXT NOT NULL DEFAULT ''
        );
INSERT INTO "notes" VALUES(1,'reading','2025-04-20T08:15:00Z','command','mara','');
INSERT INTO "notes" VALUES(2,'reading','2025-04-27T08:20:00Z','command','mara','2025-04-27T08:21:00Z');
INSERT INTO "notes" VALUES(3,'ice','2025-04-21T19:00:00Z','import old.csv','tove','');
INSERT INTO "notes" VALUES(4,'sighting','2025-05-20T17:40:00Z','command','mara','');
CREATE TABLE readings (
            note_id INTEGER PRIMARY KEY REFERENCES notes (id),
            lake_id TEXT NOT NULL,
            date TEXT NOT NULL,
            water_c REAL NOT NULL,
            depth_m REAL,
            hour REAL
        );
INSERT INTO "readings" VALUES(1,'alder','2025-04-20',6.5,0.5,14.5);
INSERT INTO "readings" VALUES(2,'alder','2025-04-27',31.0,NULL,NULL);
CREATE TABLE sightings (
            note_id INTEGER PRIMARY KEY REFERENCES notes (id),
            lake_id TEXT NOT NULL,
            date TEXT NOT NULL,
            taxon TEXT NOT NULL,
            stage TEXT NOT NULL,
            level TEXT NOT NULL CHECK (level IN ('none', 'few', 'many')),
            minutes REAL,
            observer TEXT NOT NULL DEFAULT '',
            note TEXT NOT NULL DEFAULT ''
        );
INSERT INTO "sightings" VALUES(4,'birch','2025-05-20','coenagrion','moving','none',40.0,'M','wind, "cold"');
CREATE TRIGGER notes_stay BEFORE DELETE ON notes
BEGIN SELECT RAISE(ABORT, 'notes are undone, never deleted'); END;
CREATE TRIGGER readings_stay BEFORE DELETE ON readings
BEGIN SELECT RAISE(ABORT, 'notes are undone, never deleted'); END;
CREATE TRIGGER ice_stay BEFORE DELETE ON ice
BEGIN SELECT RAISE(ABORT, 'notes are undone, never deleted'); END;
CREATE TRIGGER sightings_stay BEFORE DELETE ON sightings
BEGIN SELECT RAISE(ABORT, 'notes are undone, never deleted'); END;
DELETE FROM "sqlite_sequence";
INSERT INTO "sqlite_sequence" VALUES('notes',4);
COMMIT;
