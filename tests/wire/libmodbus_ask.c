/* A master on libmodbus that asks over a serial port and prints what it is told, one line a request, as Python's own
 * words for it: a list of registers, or what modbus_strerror says.
 *
 * Arguments: the port, the unit, its baud. Bytes as they are: no parity, one stop bit, for a pseudo terminal.
 */
#include <errno.h>
#include <modbus.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>

enum { STATUS = 0, STATUS_SIZE = 80, COMMAND = 100, COMMAND_SIZE = 13 };

static void tell(int got, int wanted, const uint16_t *registers)
{
    int i;
    if (got != wanted) {
        printf("%s\n", modbus_strerror(errno));
        return;
    }
    for (i = 0; i < wanted; i++) printf("%s%u", i ? ", " : "[", registers[i]);
    printf("]\n");
}

int main(int count, char **words)
{
    uint16_t command[COMMAND_SIZE] = {0}, status[STATUS_SIZE] = {0};
    int unit, other;
    modbus_t *bus;
    if (count != 4) return 2;
    unit = atoi(words[2]), other = unit + 1;
    bus = modbus_new_rtu(words[1], atoi(words[3]), 'N', 8, 1);
    if (bus == NULL || modbus_connect(bus) < 0) return 1;
    modbus_set_response_timeout(bus, 5, 0);
    modbus_set_slave(bus, unit);

    command[0] = 1, command[3] = 0xBEEF, command[4] = 100; /* heartbeat, owner, lease */
    tell(modbus_write_registers(bus, COMMAND, COMMAND_SIZE, command), COMMAND_SIZE, command);
    tell(modbus_read_registers(bus, STATUS, STATUS_SIZE, status), STATUS_SIZE, status);
    command[0] = 2;
    tell(modbus_write_and_read_registers(bus, COMMAND, COMMAND_SIZE, command, STATUS, STATUS_SIZE, status), STATUS_SIZE,
         status);
    command[0] = 3;
    tell(modbus_write_register(bus, COMMAND, 3), 1, command);
    tell(modbus_read_registers(bus, 5000, 1, status), 1, status);
    modbus_set_response_timeout(bus, 0, 200000);
    modbus_set_slave(bus, other);
    tell(modbus_read_registers(bus, STATUS, STATUS_SIZE, status), STATUS_SIZE, status);
    modbus_set_response_timeout(bus, 5, 0);
    modbus_set_slave(bus, unit);
    tell(modbus_read_registers(bus, STATUS, 2, status), 2, status);
    modbus_close(bus);
    modbus_free(bus);
    return 0;
}
