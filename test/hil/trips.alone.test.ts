import { testTrips } from './test-trips.ts';

testTrips(102, 2, 1);
