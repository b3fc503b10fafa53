export const v14 = `
-- The recorder that evidence names, and the order that it came before.
alter table kept add column device_id uuid, add column awaits text;
create index kept_by_device on kept (device_id) where device_id is not null;
create index kept_awaiting on kept (awaits) where awaits is not null;
alter table seen_at_sources add column tries int not null default 0;
create index seen_odd on seen_at_sources (source, seen_at desc) where problems <> '{}';
create index seen_closed on seen_at_sources (source, seen_at) where type = 'ServiceRequest' and not open and fate = 'taken';
`
