/** Viewers of the live lane in a process of their own, so that what they cost is not counted as the server's. */
const [url, count] = process.argv.slice(2) as [string, string];
let opened = 0;
let frames = 0;
for (let viewer = 0; viewer < Number(count); viewer++) {
  const socket = new WebSocket(`${url.replace('http', 'ws')}/api/live`);
  socket.binaryType = 'arraybuffer';
  socket.onopen = () => {
    if (++opened === Number(count)) process.send?.('open');
  };
  socket.onmessage = ({ data }) => {
    if (typeof data !== 'string') frames++;
  };
}
process.on('message', () => process.send?.(frames));
process.on('disconnect', () => process.exit(0));
