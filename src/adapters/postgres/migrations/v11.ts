export const v11 = `
-- Links that were refused because the device is on another patient.
create table conflicts (id uuid primary key, order_id uuid not null, device_id uuid not null, site text not null, day date not null, state json not null);
create index conflicts_by_order on conflicts (order_id);
create index conflicts_by_device on conflicts (device_id);

-- The other links of a patient, and the day on which something becomes overdue.
alter table links add column patient_id uuid;
update links set patient_id = (state->>'patientId')::uuid;
create index links_by_patient on links (patient_id);
alter table journal add column patient_id uuid, add column due_day date;
update journal set patient_id = (state->>'patientId')::uuid where kind = 'link';
update journal set due_day = day, day = null where kind = 'stub' and day is not null;
create index journal_by_patient on journal (patient_id) where patient_id is not null;
create index journal_by_due on journal (site, due_day) where due_day is not null;
`
