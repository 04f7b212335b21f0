-- Fills that somebody entered by hand from the shop's form, when fillguard was down: not measured, and told apart everywhere.

ALTER TABLE fill ADD COLUMN entered_by TEXT AS (CAST(body ->> '$.summary.entered_by' AS TEXT)) VIRTUAL;
