/** Files of what is shown, each with about its size before it is fetched. */
import { useState } from 'preact/hooks';
import { formatNumber } from '../format/number.ts';
import { exportAddress, fetchExportSizes } from '../state/api.ts';

const formats = ['csv', 'parquet', 'json'] as const;

interface Props {
  readonly event: string;
  readonly from_s: number;
  readonly to_s: number;
}

/** CSV at once; the others behind a disclosure that asks for the sizes when it is opened. */
export function ExportMenu({ event, from_s, to_s }: Props) {
  const [sizes, setSizes] = useState<Readonly<Record<string, number>> | null>(null);
  const [error, setError] = useState('');
  const ask = (): void => {
    fetchExportSizes(event, from_s, to_s).then(
      (found) => setSizes(found),
      (why: unknown) => setError(why instanceof Error ? why.message : String(why)),
    );
  };
  return (
    <>
      <a class="button" href={exportAddress(event, 'csv', from_s, to_s)} download={`${event}.csv`}>
        Save CSV
      </a>
      <details
        class="export-menu"
        onToggle={(toggled) => {
          if (toggled.currentTarget.open) ask();
        }}
      >
        <summary class="button">Other files</summary>
        <ul>
          {formats.map((format) => (
            <li key={format}>
              <a href={exportAddress(event, format, from_s, to_s)} download={`${event}.${format}`}>
                {format === 'parquet' ? 'Parquet' : format.toUpperCase()}
              </a>{' '}
              <span class="unit">{sizeWords(sizes?.[`${format}_bytes`])}</span>
            </li>
          ))}
          {error !== '' && <li>{error}</li>}
        </ul>
      </details>
    </>
  );
}

function sizeWords(bytes: number | undefined): string {
  if (bytes === undefined) return '';
  return bytes < 1e6
    ? `about ${formatNumber(bytes / 1e3, 0)} kB`
    : `about ${formatNumber(bytes / 1e6, 1)} MB`;
}
