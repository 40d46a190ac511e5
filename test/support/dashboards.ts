/** The dashboard definitions of config/dashboards, read as a dashboard server reads them. */
import { readFileSync } from 'node:fs';
import { parse } from 'yaml';

export interface Target {
  readonly refId: string;
  readonly expr: string;
  readonly instant?: boolean;
  readonly legendFormat?: string;
}

export interface Panel {
  readonly id: number;
  readonly type: string;
  readonly title: string;
  readonly description?: string;
  readonly datasource?: { readonly uid: string };
  readonly gridPos: { readonly x: number; readonly y: number; readonly w: number; readonly h: number };
  readonly targets?: readonly Target[];
}

export interface Dashboard {
  readonly uid: string;
  readonly title: string;
  readonly panels: readonly Panel[];
  readonly templating: {
    readonly list: readonly { readonly name: string; readonly query: { readonly query: string } }[];
  };
  readonly annotations: {
    readonly list: readonly { readonly name: string; readonly expr: string; readonly step: string }[];
  };
}

const folder = new URL('../../config/dashboards/', import.meta.url);
const text = (name: string) => readFileSync(new URL(name, folder), 'utf8');

export const dashboards: readonly Dashboard[] = ['stations.json', 'station.json'].map((name) =>
  JSON.parse(text(name)),
);

export function provisioning(name: 'datasources' | 'dashboards'): unknown {
  return parse(text(`provisioning/${name}.yaml`));
}

/** Everything that is asked of the time-series server, with where it stands. */
export function queriesOf({
  annotations,
  panels,
  templating,
  title,
}: Dashboard): { at: string; expr: string }[] {
  return [
    ...panels.flatMap((panel) =>
      (panel.targets ?? []).map(({ expr, refId }) => ({ at: `${title}, ${panel.title}, ${refId}`, expr })),
    ),
    ...annotations.list.map(({ expr, name }) => ({ at: `${title}, ${name}`, expr })),
    ...templating.list.map(({ name, query }) => ({ at: `${title}, $${name}`, expr: query.query })),
  ];
}
