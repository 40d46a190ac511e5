import { testTrips } from './test-trips.ts';

testTrips(101, 8, 4);
