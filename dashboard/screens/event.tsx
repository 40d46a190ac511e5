export function EventScreen({ id }: { id: string }) {
  return <p>{id}</p>;
}
