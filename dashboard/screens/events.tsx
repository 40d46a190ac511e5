export function EventsScreen() {
  return <p>events</p>;
}
