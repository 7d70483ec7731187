// A store's whole story in TypeScript, with a client whose types are made from the description.
import createClient from "openapi-fetch";
import type { components, paths } from "./ricasso";

declare const process: { env: Record<string, string | undefined>; exitCode: number };

type OrderIn = components["schemas"]["OrderIn"];
type Problem = components["schemas"]["Problem"];

const store = createClient<paths>({
  baseUrl: process.env.RICASSO ?? "",
  headers: { Authorization: `Bearer ${process.env.STORE ?? ""}` },
});

const words = { kind: "text", zone: "ricasso", text: "For Nan", font: "lato-bold" } as const;

function order(order_ref: string, text: string = words.text): OrderIn {
  const line = { line_ref: "1", sku: "AQ-HORI-18", quantity: 1, inscriptions: [{ ...words, text }] };
  return { order_ref, ship_by: "2099-12-01T12:00:00Z", lines: [line] };
}

async function post(body: OrderIn, key: string) {
  return store.POST("/v1/orders", { body, params: { header: { "Idempotency-Key": key } } });
}

function told<T>(answer: { data?: T; error?: Problem; response: Response }): T {
  if (answer.data === undefined) {
    throw new Error(`${answer.response.status} ${answer.error?.code}: ${answer.error?.detail}`);
  }
  return answer.data;
}

const said: string[] = [];

const checked = told(
  await store.POST("/v1/checks", { body: { sku: "AQ-HORI-18", quantity: 1, inscriptions: [words] } }),
);
said.push(`check ${checked.verdict}`);

const first = await post(order("W-1"), "order-W-1");
const taken = told(first);
said.push(`taken ${first.response.status} ${taken.state}`);
said.push(`again ${told(await post(order("W-1"), "order-W-1")).id === taken.id}`);

const refused = [
  await post(order("W-2"), "order-W-1"),
  await post(order("W-1"), "order-W-1-anew"),
  await post({ ...order("W-3", "Zoë ♥ Bo"), if_unengravable: "refuse" }, "order-W-3"),
  await store.GET("/v1/orders/{identity}", { params: { path: { identity: "O999" } } }),
  await store.GET("/v1/orders", { params: { query: { cursor: "made-up-cursor" } } }),
];
for (const { error } of refused) said.push(`refused ${error?.status} ${error?.code}`);

const seen = await store.GET("/v1/orders/{identity}", { params: { path: { identity: taken.id } } });
const ifMatch = (response: Response) => ({ "If-Match": response.headers.get("ETag") ?? "" });
const amended = await store.PATCH("/v1/orders/{identity}/lines/{line_ref}", {
  params: { path: { identity: taken.id, line_ref: "1" }, header: ifMatch(seen.response) },
  body: { inscriptions: [{ ...words, text: "For Bo" }] },
});
said.push(`amended ${told(amended).lines[0]?.state}`);

const cancel = (from: Response) =>
  store.POST("/v1/orders/{identity}/cancel", {
    params: { path: { identity: taken.id }, header: ifMatch(from) },
    body: { reason: "cancelled by the buyer" },
  });
said.push(`stale ${(await cancel(seen.response)).error?.code}`);
said.push(`cancelled ${told(await cancel(amended.response)).state}`);

const batch = await store.POST("/v1/orders/batch", {
  params: { header: { "Idempotency-Key": "spring-release" } },
  body: { orders: [order("B-1"), { ...order("B-2"), lines: [] }] },
});
said.push(`batch ${batch.response.status} ${told(batch).orders.map((one) => one.result).join(" ")}`);

const listed = told(await store.GET("/v1/orders", { params: { query: { order_ref: "W-1" } } }));
said.push(`listed ${listed.orders.map((one) => `${one.order_ref} ${one.state}`).join()}`);

console.log(said.join("\n"));
