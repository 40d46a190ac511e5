/*
 * A Modbus RTU slave made of libmodbus: modbus-slave PATH BAUD UNIT.
 * Every value tells its address: holding register n holds n, input register n holds n + 20000, coil n is bit 0 of
 * n / 3, discrete input n is bit 0 of n / 5. Prints "ready" when it listens.
 */
#include <errno.h>
#include <modbus/modbus.h>
#include <stdio.h>
#include <stdlib.h>

#define SIZE 5000

int main(int argc, char **argv) {
  if (argc != 4) return 64;
  modbus_t *context = modbus_new_rtu(argv[1], atoi(argv[2]), 'N', 8, 2);
  modbus_mapping_t *map = modbus_mapping_new(SIZE, SIZE, SIZE, SIZE);
  if (context == NULL || map == NULL) return 70;
  for (int i = 0; i < SIZE; i++) {
    map->tab_registers[i] = i;
    map->tab_input_registers[i] = i + 20000;
    map->tab_bits[i] = i / 3 & 1;
    map->tab_input_bits[i] = i / 5 & 1;
  }
  modbus_set_slave(context, atoi(argv[3]));
  if (modbus_connect(context) == -1) {
    fprintf(stderr, "%s: %s\n", argv[1], modbus_strerror(errno));
    return 69;
  }
  puts("ready");
  fflush(stdout);
  uint8_t request[MODBUS_RTU_MAX_ADU_LENGTH];
  for (;;) {
    int length = modbus_receive(context, request);
    if (length > 0) modbus_reply(context, request, length, map);
    else if (length == -1 && (errno == EIO || errno == EBADF)) return 0;
  }
}
