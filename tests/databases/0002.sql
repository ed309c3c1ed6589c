BEGIN TRANSACTION;
CREATE TABLE "_sqlite_migrations" (
   "id" INTEGER PRIMARY KEY,
   "migration_set" TEXT,
   "name" TEXT,
   "applied_at" TEXT
);
INSERT INTO "_sqlite_migrations" VALUES(1,'collector','m0001_first_light','2026-11-25 23:22:37.912611+00:00');
INSERT INTO "_sqlite_migrations" VALUES(2,'collector','m0002_nothing_lost','2026-11-25 23:22:37.917691+00:00');
CREATE TABLE basin (
        id INTEGER PRIMARY KEY, node TEXT NOT NULL, name TEXT NOT NULL, label TEXT NOT NULL, place TEXT NOT NULL,
        UNIQUE (node, name)) STRICT;
INSERT INTO "basin" VALUES(1,'n1','b1','Basin 1','');
CREATE TABLE batch (
        id INTEGER PRIMARY KEY, stream_id INTEGER NOT NULL REFERENCES stream, first INTEGER NOT NULL,
        last INTEGER NOT NULL, body BLOB NOT NULL) STRICT;
INSERT INTO "batch" VALUES(1,1,724,725,X'92919400CE000C38E8CF0000019CAD9BE4E8C39284A26D73CE000C36F4A3776879A47469636BA36C6964A46F70656EA26D6381AF32382D303030303030303030303061CD520884A26D73CE000C38E8A3776879A47469636BA36C6964A6636C6F736564A26D6381AF32382D303030303030303030303061CD5208');
CREATE TABLE boot (
        node TEXT NOT NULL, boot TEXT NOT NULL, heard_ms INTEGER, synced_ms INTEGER, synced_utc_ms INTEGER,
        PRIMARY KEY (node, boot)) STRICT, WITHOUT ROWID;
INSERT INTO "boot" VALUES('n1','9f6c0000-0000-4000-8000-000000000001',722000,299000,1772438699000);
CREATE TABLE closure (
        id INTEGER PRIMARY KEY, basin_id INTEGER NOT NULL REFERENCES basin,
        stream_id INTEGER NOT NULL REFERENCES stream, first INTEGER NOT NULL, last INTEGER NOT NULL,
        closing_utc_ms INTEGER NOT NULL, last_utc_ms INTEGER NOT NULL,
        clock_synced INTEGER NOT NULL, verdict TEXT NOT NULL, body TEXT NOT NULL,
        assessed_ms INTEGER NOT NULL, superseded_by INTEGER REFERENCES closure, dated_back_ms INTEGER) STRICT;
INSERT INTO "closure" VALUES(1,1,1,2,300,1772438401000,1772438699000,1,'unproven','{"first":2,"last":300,"closing_ms":1000,"last_ms":299000,"opening_ms":null,"closing_edge":"seen","opening_edge":"lost","lost_before":0,"lost_after":100,"requirement":{"min_mc":20000,"contact_ms":720000,"max_gap_ms":5000},"verdict":"unproven","credited_ms":298000,"not_out_ms":298000,"not_out_unlimited":true,"allowance_mc":null,"sensor_allowances_mc":{"28-00000000000a":null},"coldest_mc":21000,"hottest_mc":21000,"readings":299,"known":299,"unknown_ms":0,"out_ms":0,"out_first_ms":null,"unknown_first_ms":null,"faults":{},"met_without_u":false,"findings":[{"code":"readings-missing","text":"100 readings are missing at its end: what the lid did there was not seen.","at_ms":299000,"numbers":{"lost":100}}],"silent_out_ms":0}',1772434800000,3,NULL);
INSERT INTO "closure" VALUES(2,1,1,401,722,1772438800000,1772439121000,1,'unproven','{"first":401,"last":722,"closing_ms":400000,"last_ms":721000,"opening_ms":721500,"closing_edge":"lost","opening_edge":"seen","lost_before":100,"lost_after":0,"requirement":{"min_mc":20000,"contact_ms":720000,"max_gap_ms":5000},"verdict":"unproven","credited_ms":321000,"not_out_ms":321000,"not_out_unlimited":true,"allowance_mc":null,"sensor_allowances_mc":{"28-00000000000a":null},"coldest_mc":21000,"hottest_mc":21000,"readings":322,"known":322,"unknown_ms":0,"out_ms":0,"out_first_ms":null,"unknown_first_ms":null,"faults":{},"met_without_u":false,"findings":[{"code":"closing-not-seen","text":"100 readings are missing just before it: the lid may have been open.","at_ms":400000,"numbers":{"lost":100}},{"code":"readings-missing","text":"100 readings are missing just before it: what the lid did there was not seen.","at_ms":400000,"numbers":{"lost":100}}],"silent_out_ms":0}',1772434800000,3,NULL);
INSERT INTO "closure" VALUES(3,1,1,2,722,1772438401000,1772439121000,1,'met','{"first":2,"last":722,"closing_ms":1000,"last_ms":721000,"opening_ms":721500,"closing_edge":"seen","opening_edge":"seen","lost_before":0,"lost_after":0,"requirement":{"min_mc":20000,"contact_ms":720000,"max_gap_ms":5000},"verdict":"met","credited_ms":720000,"not_out_ms":720000,"not_out_unlimited":false,"allowance_mc":500,"sensor_allowances_mc":{"28-00000000000a":500},"coldest_mc":21000,"hottest_mc":21000,"readings":721,"known":721,"unknown_ms":0,"out_ms":0,"out_first_ms":null,"unknown_first_ms":null,"faults":{},"met_without_u":true,"findings":[],"silent_out_ms":0}',1772434800000,NULL,NULL);
CREATE TABLE lost (
        stream_id INTEGER NOT NULL REFERENCES stream, first INTEGER NOT NULL, last INTEGER NOT NULL,
        noticed_ms INTEGER NOT NULL, found_ms INTEGER, PRIMARY KEY (stream_id, first)) STRICT, WITHOUT ROWID;
INSERT INTO "lost" VALUES(1,301,400,1772434800000,1772434800000);
CREATE TABLE node (
        node TEXT PRIMARY KEY, heard_ms INTEGER NOT NULL, up INTEGER NOT NULL, body TEXT NOT NULL)
        STRICT, WITHOUT ROWID;
INSERT INTO "node" VALUES('n1',1772434800000,1,'{"up":true,"version":"0.1.0","boot":"9f6c0000-0000-4000-8000-000000000001","clock":{"ms":722000,"utc":"2026-03-02T08:12:02.000Z","synced":true},"streams":[{"stream":"00000000000000000000000000000001","basin":"b1","oldest":401,"newest":723,"boot":null}],"sensors":[],"outbox":0,"dropped":0,"refused":{},"troubles":[]}');
CREATE TABLE now (basin_id INTEGER PRIMARY KEY, at_utc_ms INTEGER NOT NULL, body TEXT NOT NULL) STRICT;
INSERT INTO "now" VALUES(1,1772439201000,'{"at_utc_ms":1772439201000,"synced":true,"stream":"00000000000000000000000000000001","number":725,"ms":801000,"lid":"closed","mc":{"28-00000000000a":21000},"fault":{},"closure":{"first":725,"last":725,"closing_ms":801000,"last_ms":801000,"opening_ms":null,"closing_edge":"seen","opening_edge":"running","lost_before":0,"lost_after":0,"requirement":{"min_mc":20000,"contact_ms":720000,"max_gap_ms":5000},"verdict":"running","credited_ms":0,"not_out_ms":0,"not_out_unlimited":false,"allowance_mc":null,"sensor_allowances_mc":{"28-00000000000a":null},"coldest_mc":21000,"hottest_mc":21000,"readings":1,"known":1,"unknown_ms":0,"out_ms":0,"out_first_ms":null,"unknown_first_ms":null,"faults":{},"met_without_u":false,"findings":[],"silent_out_ms":0},"judged_to":725}');
CREATE TABLE page (
        stream_id INTEGER NOT NULL REFERENCES stream, first INTEGER NOT NULL, last INTEGER NOT NULL,
        first_utc_ms INTEGER NOT NULL, last_utc_ms INTEGER NOT NULL, sha256 TEXT NOT NULL, body BLOB NOT NULL, minutes BLOB NOT NULL DEFAULT x'', undated INTEGER NOT NULL DEFAULT 0,
        PRIMARY KEY (stream_id, first)) STRICT;
INSERT INTO "page" VALUES(1,1,300,1772438400500,1772438699000,'121d7ef31fb4f26f6df73345020d85646fde9b8f14b587a90a1f0afdf3877c7e',X'78DAED56410AC23010FCCB9E37B249ADB47987274B0EB18D586C5A6952444AFFEEC68B374F9E243B300C84DDC9610EB3823D073746D0EB86D00E537B03DD3484AAAE890841913A082A04A923559AF6BAAC77FC70028CF3E28C41B8D865E0FD26C97E0E2C25AB69F696A54218FA2E9D84E9EE464069B0493EC175904CD205DFB23DA84AD0672CEF2899BE9091F173184EBB0F9CB19213263265CA9429D31F11178B1067673D68A0EF2301E1717DBE6B4AECB90261C1FB667B019AD8C191',X'78DA6B5C6F64A16B800089D3A79E633C7450811108A69E0DE2600082A90C48A40D0840D98C201200282A0DAD',0);
INSERT INTO "page" VALUES(1,401,723,1772438800000,1772439121500,'e03ba78b05a1b47ea9d534537326111c0420c21680653f613e316a35a550ab9c',X'78DAED94C10AC2300C86DF25E74CD26CEAE8737872EC50B78AC3CD49DB2132F6EEA603F1E67597E6BFFCA5E42794F49BC15CBC7D04D0F382D0F46373075D558447567B2204263E649467C4272AB5624D6A271767C0E0265BD7085733F5D25F45DB392FB620257E7483910323F45D1B4363BCB72D60CE5C6305E3D33E0055CC181A1900B8CCE857467A5889C1A4A48D55CBEF18BC6C64B1EE667A90A48D950985859C3E386B06D040FF4B01C2EBF65E391C3AA1FC97C211CE11C2CB07B30D2BBF',X'78DA6B5C6F64A16B800089D3A79F633C74508D110CA69F0DE2600083E90C68B4880D0830A389330200C7CE0DDA',0);
INSERT INTO "page" VALUES(1,301,400,1772438700000,1772438799000,'f10eb3b0b2ce97bae5c754a7f0ee1e074aee5b2683e57d9fd6be21efec07460f',X'78DADD52C10A83300CFD97778E236D41B4DFB1D3C443A71D93D909B63286F8EF4BDD61B77D80C9E585242FBC242BDC35FA67825D3742374EDD03B669984C5D333341B32E0B3605EB3357964B6BEA93242EA0342FBE6D0937B78CD2DF6438CC51A06125789A83934013C6A1CFA4993EFA1EA4987363E8642A7455F0CF9C146A95271FC25B596A88A2C9ECEA0E228A10D3EC5D8005FF3705C2EBFEDEAF9F06F9ADEFEDB70F5A4684E2',X'78DA6B5C6F64A16B800089D3279D633C74509571D2D9200E86490C6064A3016100003A3B0CD1',0);
CREATE TABLE parked (
        id INTEGER PRIMARY KEY, sha256 TEXT NOT NULL, topic TEXT NOT NULL, reason TEXT NOT NULL, detail TEXT NOT NULL,
        bytes INTEGER NOT NULL, start BLOB NOT NULL, times INTEGER NOT NULL, first_ms INTEGER NOT NULL,
        last_ms INTEGER NOT NULL, UNIQUE (sha256, topic)) STRICT;
INSERT INTO "parked" VALUES(1,'999aaa8645bb72ff599e143b1e3d2a94777127f4783a69f067251f7bbebc5ab6','soakledger/1/n1/readings','not-json','JSON is malformed: invalid character (byte 4)',8,X'6E6F6E73656E7365',1,1772434800000,1772434800000);
CREATE TABLE parked_count (reason TEXT PRIMARY KEY, times INTEGER NOT NULL) STRICT, WITHOUT ROWID;
INSERT INTO "parked_count" VALUES('not-json',1);
CREATE TABLE requirement (
        id INTEGER PRIMARY KEY, basin_id INTEGER NOT NULL REFERENCES basin, since_ms INTEGER NOT NULL,
        requirement TEXT, sensors TEXT NOT NULL) STRICT;
INSERT INTO "requirement" VALUES(1,1,1772434800000,'{"min_mc":20000,"contact_ms":720000,"max_gap_ms":5000}','{"28-00000000000a":{"u_mc":500,"correction_mc":0}}');
CREATE TABLE site (name TEXT PRIMARY KEY, content TEXT NOT NULL) STRICT, WITHOUT ROWID;
INSERT INTO "site" VALUES('epoch','a0a357d288fceccc');
INSERT INTO "site" VALUES('name','Clinic at the Mill');
CREATE TABLE stream (
        id INTEGER PRIMARY KEY, stream TEXT NOT NULL UNIQUE, basin_id INTEGER NOT NULL REFERENCES basin,
        boot TEXT NOT NULL, first_heard_ms INTEGER NOT NULL, stored INTEGER NOT NULL DEFAULT 0,
        over INTEGER NOT NULL DEFAULT 0, resume INTEGER NOT NULL DEFAULT 0) STRICT;
INSERT INTO "stream" VALUES(1,'00000000000000000000000000000001',1,'9f6c0000-0000-4000-8000-000000000001',1772434800000,725,0,724);
CREATE UNIQUE INDEX "idx__sqlite_migrations_migration_set_name"
    ON "_sqlite_migrations" ("migration_set", "name");
CREATE INDEX requirement_by_basin ON requirement (basin_id, since_ms);
CREATE INDEX stream_by_basin ON stream (basin_id);
CREATE INDEX closure_by_basin ON closure (basin_id, closing_utc_ms);
CREATE INDEX closure_by_time ON closure (closing_utc_ms);
CREATE INDEX closure_by_stream ON closure (stream_id, first);
CREATE INDEX batch_by_stream ON batch (stream_id, last);
CREATE INDEX page_by_time ON page (stream_id, last_utc_ms, first_utc_ms);
COMMIT;
