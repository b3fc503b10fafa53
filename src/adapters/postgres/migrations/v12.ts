export const v12 = `
-- What sources say of an order's visit by other resources.
create index kept_by_order on kept (order_id) where order_id is not null;
`
