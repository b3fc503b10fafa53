export const v5 = `
-- Reports that disagree with what they name, or ask for no order.
create table held_reports (id uuid primary key, order_id uuid, state json not null);
create index held_reports_by_order on held_reports (order_id) where order_id is not null;
`
