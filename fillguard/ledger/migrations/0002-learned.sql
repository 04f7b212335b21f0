-- What the station has learned is recorded as events of kind LearnedChanged, each with all values as they were from then
-- on. The newest is in force, and is looked for at every start.
CREATE INDEX event_learned ON event (id) WHERE kind = 'LearnedChanged';
