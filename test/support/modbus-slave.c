/*
 * A Modbus slave made of libmodbus: modbus-slave PATH BAUD UNIT [IMAGE], or tcp:PORT in place of PATH.
 * Every value tells its address: holding register n holds n, input register n holds n + 20000, coil n is bit 0 of
 * n / 3, discrete input n is bit 0 of n / 5. IMAGE is a file of "ADDRESS VALUE" lines that replace holding registers.
 * Prints "ready" when it listens.
 */
#include <errno.h>
#include <modbus/modbus.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#define SIZE 5000

static void serve(modbus_t *context, modbus_mapping_t *map, int is_tcp) {
  uint8_t request[MODBUS_TCP_MAX_ADU_LENGTH];
  for (;;) {
    int length = modbus_receive(context, request);
    if (length > 0) modbus_reply(context, request, length, map);
    else if (length == -1 && (is_tcp || errno == EIO || errno == EBADF)) return;
  }
}

int main(int argc, char **argv) {
  if (argc < 4) return 64;
  int is_tcp = strncmp(argv[1], "tcp:", 4) == 0;
  modbus_t *context = is_tcp ? modbus_new_tcp("127.0.0.1", atoi(argv[1] + 4))
                             : modbus_new_rtu(argv[1], atoi(argv[2]), 'N', 8, 2);
  modbus_mapping_t *map = modbus_mapping_new(SIZE, SIZE, SIZE, SIZE);
  if (context == NULL || map == NULL) return 70;
  for (int i = 0; i < SIZE; i++) {
    map->tab_registers[i] = i;
    map->tab_input_registers[i] = i + 20000;
    map->tab_bits[i] = i / 3 & 1;
    map->tab_input_bits[i] = i / 5 & 1;
  }
  if (argc > 4) {
    FILE *image = fopen(argv[4], "r");
    unsigned address, value;
    if (image == NULL) return 66;
    while (fscanf(image, "%u %u", &address, &value) == 2)
      if (address < SIZE) map->tab_registers[address] = value;
    fclose(image);
  }
  modbus_set_slave(context, atoi(argv[3]));
  int listener = is_tcp ? modbus_tcp_listen(context, 1) : modbus_connect(context);
  if (listener == -1) {
    fprintf(stderr, "%s: %s\n", argv[1], modbus_strerror(errno));
    return 69;
  }
  puts("ready");
  fflush(stdout);
  while (is_tcp && modbus_tcp_accept(context, &listener) != -1) {
    serve(context, map, 1);
    close(modbus_get_socket(context));
  }
  serve(context, map, 0);
  return 0;
}
