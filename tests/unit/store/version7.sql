BEGIN TRANSACTION;
CREATE TABLE causes (
	run_id TEXT NOT NULL, 
	position INTEGER NOT NULL, 
	"key" TEXT NOT NULL, 
	body JSON NOT NULL, 
	overruled JSON, 
	PRIMARY KEY (run_id, position), 
	FOREIGN KEY(run_id) REFERENCES runs (run_id)
);
CREATE TABLE chips (
	run_id TEXT NOT NULL, 
	slot TEXT NOT NULL, 
	position INTEGER NOT NULL, 
	chip_serial TEXT NOT NULL, 
	board_serial TEXT NOT NULL, 
	port TEXT NOT NULL, 
	"virtual" BOOLEAN NOT NULL, 
	agent_version TEXT NOT NULL, 
	interpreter TEXT NOT NULL, 
	backend TEXT NOT NULL, 
	exact BOOLEAN NOT NULL, 
	trouble TEXT NOT NULL, 
	PRIMARY KEY (run_id, slot), 
	FOREIGN KEY(run_id) REFERENCES runs (run_id)
);
INSERT INTO "chips" VALUES('old','A1',0,'PK-01','WB-01','virtual',1,'1','none','virtual',1,'');
CREATE TABLE continuity (
	run_id TEXT NOT NULL, 
	slot TEXT NOT NULL, 
	body JSON NOT NULL, 
	PRIMARY KEY (run_id, slot), 
	FOREIGN KEY(run_id) REFERENCES runs (run_id)
);
CREATE TABLE harness_schema (
	version INTEGER NOT NULL, 
	PRIMARY KEY (version)
);
INSERT INTO "harness_schema" VALUES(7);
CREATE TABLE layouts (
	number INTEGER NOT NULL, 
	sha256 TEXT NOT NULL, 
	entries TEXT NOT NULL, 
	PRIMARY KEY (number), 
	UNIQUE (sha256)
);
INSERT INTO "layouts" VALUES(1,'422b0568680fb98567c6fe9b581048cef0a6ae06b8ed29c0bb99494de1197e4a','[["PK-01","gray","all"]]');
CREATE TABLE margins (
	margin_id TEXT NOT NULL, 
	run_id TEXT NOT NULL, 
	measured DATETIME NOT NULL, 
	chip_serial TEXT NOT NULL, 
	design TEXT NOT NULL, 
	kind TEXT NOT NULL, 
	body JSON NOT NULL, 
	PRIMARY KEY (margin_id)
);
CREATE TABLE nights (
	subject INTEGER NOT NULL, 
	run_id TEXT NOT NULL, 
	layout INTEGER NOT NULL, 
	verdicts TEXT NOT NULL, 
	PRIMARY KEY (subject, run_id), 
	FOREIGN KEY(subject) REFERENCES subjects (number), 
	FOREIGN KEY(run_id) REFERENCES runs (run_id), 
	FOREIGN KEY(layout) REFERENCES layouts (number)
)
 WITHOUT ROWID

;
INSERT INTO "nights" VALUES(1,'old',1,'F');
INSERT INTO "nights" VALUES(2,'old',1,'F');
INSERT INTO "nights" VALUES(3,'old',1,'F');
CREATE TABLE outcomes (
	number INTEGER NOT NULL, 
	run_id TEXT NOT NULL, 
	slot TEXT NOT NULL, 
	chip_serial TEXT NOT NULL, 
	design TEXT NOT NULL, 
	table_name TEXT NOT NULL, 
	table_sha256 TEXT NOT NULL, 
	verdict TEXT NOT NULL, 
	counts BOOLEAN NOT NULL, 
	mismatches INTEGER NOT NULL, 
	started DATETIME NOT NULL, 
	seconds DOUBLE NOT NULL, 
	body JSON NOT NULL, 
	PRIMARY KEY (number), 
	UNIQUE (run_id, slot, design, table_name), 
	FOREIGN KEY(run_id, slot) REFERENCES chips (run_id, slot)
);
INSERT INTO "outcomes" VALUES(1,'old','A1','PK-01','gray','all','abababababababababababababababababababababababababababababababab','FAIL',1,2,'2026-06-01 12:00:00.000000',0.03,'{"slot":"A1","chip_serial":"PK-01","board_serial":"WB-01","design":"gray","design_title":"Follower","design_address":3,"design_source":"worked by hand","table":"all","table_file":"follow/all.csv","table_sha256":"abababababababababababababababababababababababababababababababab","verdict":"FAIL","reason":"same-mismatch","summary":"q[0] (pin out0) was high (1) where low (0) was expected, first in cycle 2, table line 4 (two); 2 of 4 cycles differ, the same in 3 runs.","advice":"One table on one chip cannot tell a faulty chip from a mistake in the design or in the table. Run the same table on other chips: if they pass, suspect this chip; if they fail in the same cycles, suspect the design or the table.","rows":4,"cycles":4,"mismatches":2,"pin_counts":[{"pin":"out0","signal":"q[0]","mismatches":2}],"evidence":[{"cycle":2,"row":2,"line":4,"repetition":0,"label":"two","wrong":[{"pin":"out0","signal":"q[0]","expected":"L","observed":"1"}]},{"cycle":3,"row":3,"line":5,"repetition":0,"label":"","wrong":[{"pin":"out0","signal":"q[0]","expected":"H","observed":"0"}]}],"window":{"cycles":[0,1,2,3],"lines":[2,3,4,5],"labels":["first","","two",""],"waves":[{"pin":"in0","signal":"d[0]","driven":"0101","observed":"....","expected":"...."},{"pin":"in1","signal":"d[1]","driven":"0011","observed":"....","expected":"...."},{"pin":"out0","signal":"q[0]","driven":"....","observed":"0110","expected":"LHLH"},{"pin":"out1","signal":"q[1]","driven":"....","observed":"0011","expected":"LLHH"},{"pin":"clk","signal":"clk","driven":"CCCC","observed":"....","expected":"...."}]},"attempts":[{"number":1,"mismatches":2,"signature":"7da64d8a","seconds":0.01,"bytes_sent":0,"bytes_received":0,"round_trips":0,"frames_resent":0,"first_cycle":2,"first_row":2,"first_wrong":["out0"],"until":[]},{"number":2,"mismatches":2,"signature":"7da64d8a","seconds":0.01,"bytes_sent":0,"bytes_received":0,"round_trips":0,"frames_resent":0,"first_cycle":2,"first_row":2,"first_wrong":["out0"],"until":[]},{"number":3,"mismatches":2,"signature":"7da64d8a","seconds":0.01,"bytes_sent":0,"bytes_received":0,"round_trips":0,"frames_resent":0,"first_cycle":2,"first_row":2,"first_wrong":["out0"],"until":[]}],"conditions":{"clock_hz":1000.0,"achieved_hz":990.0,"exact":false,"settle_us":0.0,"reset_cycles":2,"gaps":0},"waiver":null,"started":"2026-06-01T12:00:00+00:00","seconds":0.03,"design_author":"Wilma Dunlin","provisional":"same-mismatch","rules":"","cause":"","floating":[],"contention":[],"released":[],"long_window":{"cycle":0,"cycles":4,"pins":["in0","in1","out0","out1","io0","clk","nreset","seld"],"signals":["d[0]","d[1]","q[0]","q[1]","","clk","",""],"words":"eNpjYGRkZEACTGh8BkYmZmSuMhAg8xWAAEU9CwcPMpcHCBjwAVY+bnzSAIpiAYE=","cut":""}}');
CREATE TABLE runs (
	run_id TEXT NOT NULL, 
	kind TEXT DEFAULT 'run' NOT NULL, 
	started DATETIME NOT NULL, 
	finished DATETIME, 
	tool_version TEXT NOT NULL, 
	shuttle TEXT NOT NULL, 
	organisation TEXT NOT NULL, 
	shuttle_file TEXT NOT NULL, 
	shuttle_sha256 TEXT NOT NULL, 
	profile TEXT NOT NULL, 
	profile_file TEXT NOT NULL, 
	profile_sha256 TEXT NOT NULL, 
	rack TEXT NOT NULL, 
	rack_file TEXT NOT NULL, 
	rack_sha256 TEXT NOT NULL, 
	cancelled BOOLEAN NOT NULL, 
	accepted DATETIME, 
	accepted_why TEXT DEFAULT '' NOT NULL, 
	summarised BOOLEAN DEFAULT 0 NOT NULL, 
	PRIMARY KEY (run_id)
);
INSERT INTO "runs" VALUES('old','run','2026-06-01 12:00:00.000000','2026-06-01 12:00:00.000000','0.1','Pocket','Low Tide Silicon Club','shuttle.toml','ab','Wader','wader.toml','cd','bench','','',0,NULL,'',1);
CREATE TABLE subjects (
	number INTEGER NOT NULL, 
	kind TEXT NOT NULL, 
	rack TEXT NOT NULL, 
	name TEXT NOT NULL, 
	PRIMARY KEY (number), 
	UNIQUE (kind, rack, name)
);
INSERT INTO "subjects" VALUES(1,'chip','','PK-01');
INSERT INTO "subjects" VALUES(2,'design','','gray');
INSERT INTO "subjects" VALUES(3,'slot','bench','A1');
CREATE INDEX ix_runs_started ON runs (started);
CREATE INDEX ix_margins_run_id ON margins (run_id);
CREATE INDEX margins_of_chip ON margins (chip_serial, design, measured);
CREATE INDEX ix_margins_design ON margins (design);
CREATE INDEX ix_chips_board_serial ON chips (board_serial);
CREATE INDEX ix_chips_chip_serial ON chips (chip_serial);
COMMIT;
